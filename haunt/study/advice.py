"""What to change: one prop's cooldown, with its gain, its price and how sure it is.

"Change nothing" is an answer like any other, and no advice breaks a limit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from haunt.core.show import PropSpec, Show
from haunt.study.chance import Chance
from haunt.study.measures import Draws, NightFigures, PropFigures, measure
from haunt.study.rerun import rerun
from haunt.study.sweep import Night, Setting, changed
from haunt.study.visits import answered

COOLDOWNS_MS = tuple(1000 * s for s in (4, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 90))
BLOCK_MS = 1_800_000
RESAMPLES = 2000
SURE = 0.9
GAIN_MIN = 1
"""A change that answers no group more is no change worth making."""
RESERVE_PERCENT = 10
"""A pack is to reach the close with this much above the level at which its prop retires."""
NO_GAIN = "nothing tried answers more groups"


@dataclass(frozen=True, slots=True)
class Tried:
    """What one cooldown would have given, summed over the nights; `used_mah` is a night's mean."""

    cooldown_ms: int
    answered: int
    fired: int
    used_mah: float
    loud_ms: int
    worst_duty: float


@dataclass(frozen=True, slots=True)
class Advice:
    """`gain` groups more (of `visits`), `low` to `high` by resampling half hours.

    `cooldown_ms` None: change nothing, and `why` says why.
    """

    prop: str
    now_ms: int
    cooldown_ms: int | None
    visits: int
    answered: int
    gain: int
    low: int
    high: int
    sure: float
    used_more_mah: float
    why: str
    tried: tuple[Tried, ...] = ()


def advise(
    nights: Sequence[Night],
    prop: str,
    cooldowns_ms: Sequence[int] = COOLDOWNS_MS,
    charge_left_percent: float | None = None,
) -> Advice:
    """Weigh a prop's cooldown over one or more recorded nights of the same show.

    `charge_left_percent` is what its pack had at the last close, above the level of retiring.
    About 0.3 s a thousand motions and night.
    """
    show = nights[-1].show
    spec = next(each for each in show.props if each.id == prop)
    now = [_blocks(night, prop, spec.cooldown_ms) for night in nights]
    best: Advice | None = None
    reasons: set[str] = set()
    tried: list[Tried] = []
    for cooldown_ms in sorted({*cooldowns_ms, spec.cooldown_ms}):
        then = [_blocks(night, prop, cooldown_ms) for night in nights]
        tried.append(_tried(cooldown_ms, spec.board, then))
        if cooldown_ms == spec.cooldown_ms:
            continue
        advice = _compare(spec, show, nights, now, then, cooldown_ms)
        barred = _barred(advice, spec, nights[-1].draws, (now, then), charge_left_percent)
        if barred:
            reasons.add(barred)
        elif best is None or _worth(advice) > _worth(best):
            best = advice
    if best is not None:
        return replace(best, tried=tuple(tried))
    base = _compare(spec, show, nights, now, now, spec.cooldown_ms)
    why = "; ".join(sorted(reasons - {NO_GAIN})) or NO_GAIN
    return replace(base, cooldown_ms=None, why=why, tried=tuple(tried))


def _worth(advice: Advice) -> tuple[float, ...]:
    """Groups first, then charge; of equals the longest rest, which is kinder to all."""
    return advice.gain, -advice.used_more_mah, advice.cooldown_ms or 0


@dataclass(frozen=True, slots=True)
class _Blocks:
    """One night cut into half hours: groups and groups answered in each."""

    figures: NightFigures
    mine: PropFigures
    visits: tuple[int, ...]
    answered: tuple[int, ...]
    elsewhere: int


def _blocks(night: Night, prop: str, cooldown_ms: int) -> _Blocks:
    show = changed(night.show, Setting(prop, cooldown_ms))
    run = rerun(night.recording, show, night.sunset)
    figures = measure(night.recording, show, run, night.draws, night.groups)
    spec = next(each for each in show.props if each.id == prop)
    patience = {prop: max(each.patience_ms for each in spec.behaviours)}
    groups = night.groups[prop]
    met = answered({prop: groups}, run.starts(), patience)[prop]
    start = groups[0].first_ms if groups else 0
    count = 1 + (groups[-1].first_ms - start) // BLOCK_MS if groups else 0
    came, got = [0] * count, [0] * count
    for group, was_met in zip(groups, met, strict=True):
        at = (group.first_ms - start) // BLOCK_MS
        came[at] += 1
        got[at] += was_met
    mine = figures.props[prop]
    return _Blocks(figures, mine, tuple(came), tuple(got), figures.answered - mine.answered)


def _tried(cooldown_ms: int, board: str, then: Sequence[_Blocks]) -> Tried:
    return Tried(
        cooldown_ms,
        sum(each.mine.answered for each in then),
        sum(each.mine.fired for each in then),
        sum(each.figures.used_mah[board] for each in then) / max(1, len(then)),
        sum(each.mine.loud_ms for each in then),
        max((each.mine.worst_duty for each in then), default=0.0),
    )


def _compare(
    spec: PropSpec,
    show: Show,
    nights: Sequence[Night],
    now: Sequence[_Blocks],
    then: Sequence[_Blocks],
    cooldown_ms: int,
) -> Advice:
    gains = [
        b - a
        for before, after in zip(now, then, strict=True)
        for a, b in zip(before.answered, after.answered, strict=True)
    ]
    spread = sorted(_resampled(gains, show.seed))
    low, high = _quantile(spread, 0.05), _quantile(spread, 0.95)
    sure = sum(1 for each in spread if each >= GAIN_MIN) / len(spread) if spread else 0.0
    board = spec.board
    more_mah = sum(
        b.figures.used_mah[board] - a.figures.used_mah[board]
        for a, b in zip(now, then, strict=True)
    ) / max(1, len(nights))
    came, got = sum(sum(each.visits) for each in now), sum(sum(each.answered) for each in now)
    gain = sum(gains)
    return Advice(
        spec.id,
        spec.cooldown_ms,
        cooldown_ms,
        came,
        got,
        gain,
        low,
        high,
        sure,
        more_mah,
        f"answers {got + gain} instead of {got} of {came} groups",
    )


def _barred(
    advice: Advice,
    spec: PropSpec,
    draws: Draws,
    runs: tuple[Sequence[_Blocks], Sequence[_Blocks]],
    charge_left_percent: float | None,
) -> str:
    """Say why a setting is not to be recommended, or nothing."""
    if advice.gain < GAIN_MIN:
        return NO_GAIN
    if advice.sure < SURE:
        return "what would answer more is too unsure: it hangs on a few half hours"
    before, then = runs
    lost = sum(each.elsewhere for each in before) - sum(each.elsewhere for each in then)
    if lost > advice.gain:
        return "its neighbours would lose more groups than it gains"
    capacity = draws.capacity_mah.get(spec.board)
    if charge_left_percent is not None and capacity:
        left = charge_left_percent - 100 * advice.used_more_mah / capacity
        if left < RESERVE_PERCENT:
            return "its pack would not last till close"
    duty = spec.duty_permille
    if duty is not None and max(each.mine.worst_duty for each in then) * 1000 > duty:
        return "its motor would pass its duty"
    return ""


def _resampled(gains: Sequence[int], seed: int) -> Iterator[int]:
    """Sum as many half hours as there were, drawn with replacement (bootstrap)."""
    chance = Chance(seed, "bootstrap")
    for _ in range(RESAMPLES if gains else 0):
        yield sum(gains[chance.below(len(gains))] for _ in gains)


def _quantile(ordered: Sequence[int], share: float) -> int:
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else 0
