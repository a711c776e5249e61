"""Many settings on one recorded night: what each would have given and cost, and what to change.

A recommendation is one prop's cooldown with its gain and how sure it is; "change nothing" is an
answer like any other, and no recommendation breaks a limit.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from haunt.core.calendar import Sunset, no_sunset
from haunt.core.show import PropSpec, Show
from haunt.study.chance import Chance
from haunt.study.measures import Draws, NightFigures, PropFigures, measure
from haunt.study.rerun import Recording, rerun
from haunt.study.visits import Visit, answered, visits

COOLDOWNS_MS = tuple(1000 * s for s in (4, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 90))
BLOCK_MS = 1_800_000
RESAMPLES = 2000
SURE = 0.9
GAIN_MIN = 1
"""A change that answers no group more is no change worth making."""
RESERVE_PERCENT = 10
"""A pack is to reach the close with this much above the level at which its prop retires."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What to try; None leaves as it is. `prop` None means every prop."""

    prop: str | None = None
    cooldown_ms: int | None = None
    gap_ms: int | None = None
    patience_ms: int | None = None
    phase_permille: int | None = None


@dataclass(frozen=True, slots=True)
class Trial:
    setting: Setting
    figures: NightFigures


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


def changed(show: Show, setting: Setting) -> Show:
    """Return the show under a setting. The show itself is not touched."""
    props = tuple(
        _prop(each, setting) if setting.prop in {None, each.id} else each for each in show.props
    )
    gap_ms = show.gap_ms if setting.gap_ms is None else setting.gap_ms
    calendar = show.calendar
    if setting.phase_permille is not None:
        factor = setting.phase_permille
        phases = tuple(replace(each, cooldown_permille=factor) for each in calendar.phases)
        calendar = replace(calendar, phases=phases)
    return replace(show, props=props, gap_ms=gap_ms, calendar=calendar)


def _prop(prop: PropSpec, setting: Setting) -> PropSpec:
    if setting.cooldown_ms is not None:
        prop = replace(prop, cooldown_ms=setting.cooldown_ms)
    if setting.patience_ms is not None:
        patience = setting.patience_ms
        behaviours = tuple(replace(each, patience_ms=patience) for each in prop.behaviours)
        prop = replace(prop, behaviours=behaviours)
    return prop


Tries = Callable[[Sequence[Setting]], Iterable[Trial]]
"""Runs settings, here or in other processes, and gives trials in the same order."""


@dataclass(frozen=True, slots=True)
class Night:
    """All that a trial needs; it travels to other processes as it is."""

    recording: Recording
    show: Show
    draws: Draws
    groups: Mapping[str, list[Visit]]
    sunset: Sunset = no_sunset


def night_of(recording: Recording, show: Show, draws: Draws, sunset: Sunset = no_sunset) -> Night:
    return Night(recording, show, draws, visits(recording.motions, show), sunset)


def attempt(night: Night, setting: Setting) -> Trial:
    show = changed(night.show, setting)
    run = rerun(night.recording, show, night.sunset)
    return Trial(setting, measure(night.recording, show, run, night.draws, night.groups))


def front(trials: Iterable[Trial]) -> list[Trial]:
    """Keep the trials that no other beats in every way: groups answered, charge, noise, wear."""
    every = list(trials)
    return [each for each in every if not any(_beats(other, each) for other in every)]


def _costs(trial: Trial) -> tuple[float, ...]:
    figures = trial.figures
    return (
        -figures.answered,
        sum(figures.used_mah.values()),
        sum(each.loud_ms for each in figures.props.values()),
        max((each.worst_duty for each in figures.props.values()), default=0.0),
    )


def _beats(one: Trial, other: Trial) -> bool:
    mine, theirs = _costs(one), _costs(other)
    return mine != theirs and all(m <= t for m, t in zip(mine, theirs, strict=True))


def advise(
    nights: Sequence[Night],
    prop: str,
    cooldowns_ms: Sequence[int] = COOLDOWNS_MS,
    charge_left_percent: float | None = None,
) -> Advice:
    """Weigh a prop's cooldown over one or more recorded nights of the same show.

    `charge_left_percent` is what its pack had at the last close, above the level of retiring.
    """
    show = nights[-1].show
    spec = next(each for each in show.props if each.id == prop)
    now = [_blocks(night, prop, spec.cooldown_ms) for night in nights]
    best: Advice | None = None
    reasons = {"nothing tried answers more groups"}
    for cooldown_ms in sorted(cooldowns_ms):
        if cooldown_ms == spec.cooldown_ms:
            continue
        then = [_blocks(night, prop, cooldown_ms) for night in nights]
        advice = _compare(spec, show, nights, now, then, cooldown_ms)
        barred = _barred(advice, spec, nights[-1].draws, (now, then), charge_left_percent)
        if barred:
            reasons.add(barred)
        elif best is None or _worth(advice) > _worth(best):
            best = advice
    if best is not None:
        return best
    base = _compare(spec, show, nights, now, now, spec.cooldown_ms)
    return replace(base, cooldown_ms=None, why="; ".join(sorted(reasons)))


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
        return "nothing tried answers more groups"
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
