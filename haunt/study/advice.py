"""What to change: one prop's cooldown, with its gain, its price and how sure it is.

"Change nothing" is an answer like any other, and no advice breaks a limit.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from haunt.core.show import PropSpec
from haunt.study.measures import PropFigures
from haunt.study.noise import noise_ms
from haunt.study.resampling import Range, Resampler
from haunt.study.sweep import (
    COOLDOWNS_MS,
    Attempts,
    Night,
    Setting,
    Trial,
    costs,
    in_turn,
    left_percent,
    line_ms_of,
    on_front,
    summed,
)

SURE: Final = 0.9
GAIN_MIN: Final = 1
"""A change that answers no group more is no change worth making."""
RESERVE_PERCENT: Final = 10
"""A pack is to reach the close with this much above the level at which its prop retires."""
NO_GAIN: Final = "nothing tried answers more groups"
UNSURE: Final = "what would answer more is too unsure: it hangs on a few half hours"
NEIGHBOURS: Final = "its neighbours would lose more groups than it gains"
PACK: Final = "its pack would not last till close"
OTHER_PACK: Final = "the pack of a neighbour would not last till close"
MOTOR: Final = "its motor would pass its duty"
DEAR: Final = "each group more would cost several times the starts, noise or motor time of one now"
DEAR_TIMES: Final = 3.0
"""So many times what a group costs now is too dear. A choice of ours; the table shows the price."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What one setting would have given, summed over the nights; `used_mah` is a night's mean.

    `left_percent` is the least that its pack would have had at a close. `on_front`: no other that
    was tried answers as many for as little charge, noise and wear. `bars` says why not to take it.
    """

    cooldown_ms: int
    answered: int
    fired: int
    used_mah: float
    loud_ms: int
    worst_duty: float
    patience_ms: int | None = None
    waited_ms: int = 0
    clashes: int = 0
    elsewhere: int = 0
    left_percent: float | None = None
    on_front: bool = False
    bars: str = ""
    refused: Mapping[str, int] = field(default_factory=dict)
    lapsed: int = 0
    motor_ms: int = 0
    line_ms: float | None = None

    @property
    def noise_ms(self) -> float:
        return noise_ms(self.loud_ms, self.line_ms)


@dataclass(frozen=True, slots=True)
class Advice:
    """`gain` groups more (of `visits`), `low` to `high` by resampling.

    `cooldown_ms` None: change nothing, and `why` says why. `patience_ms` None: leave it.
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
    patience_ms: int | None = None
    days: tuple[str, ...] = ()
    blocks: int = 0
    by_night: bool = False


def advise(
    nights: Sequence[Night],
    prop: str,
    cooldowns_ms: Sequence[int] = COOLDOWNS_MS,
    charge_left_percent: float | None = None,
    *,
    patiences_ms: Sequence[int] = (),
    attempts: Attempts | None = None,
) -> Advice:
    """Weigh a prop's settings over one or more recorded nights of the same show.

    What a pack had at a close is what its board told on that night; where it told nothing, it is
    `charge_left_percent`, counted above the level of retiring. About 0.2 s for 10,000
    motions, setting and night.
    """
    spec = next(each for each in nights[-1].show.props if each.id == prop)
    settings = settings_for(spec, cooldowns_ms, patiences_ms)
    rows = (attempts or in_turn(nights))(settings)
    return _Weighing(nights, spec, charge_left_percent, rows[0]).advice(settings, rows)


def settings_for(
    spec: PropSpec, cooldowns_ms: Sequence[int] = COOLDOWNS_MS, patiences_ms: Sequence[int] = ()
) -> list[Setting]:
    """Return what is tried for a prop; the first is as it is now."""
    found = [Setting(spec.id, spec.cooldown_ms)]
    now = {each.patience_ms for each in spec.behaviours}
    known = now if len(now) == 1 else set()
    for cooldown_ms in sorted({*cooldowns_ms, spec.cooldown_ms}):
        for patience_ms in (None, *patiences_ms):
            if patience_ms in known or (patience_ms or 0) >= max(cooldown_ms, 1):
                continue  # as now; or who waits longer than the rest would be met twice
            found.append(Setting(spec.id, cooldown_ms, patience_ms=patience_ms))
    return list(dict.fromkeys(found))


class _Weighing:
    """Holds one prop's settings of now against others, night by night."""

    def __init__(
        self,
        nights: Sequence[Night],
        spec: PropSpec,
        charge_left_percent: float | None,
        now: Sequence[Trial],
    ) -> None:
        self._nights, self._spec, self._now = nights, spec, now
        self._spare = charge_left_percent
        halves = [len(each.figures.props[spec.id].half_hours) for each in now]
        self._resampler = Resampler(halves, nights[-1].show.seed)

    def advice(self, settings: Sequence[Setting], rows: Sequence[Sequence[Trial]]) -> Advice:
        tried, ranges = [], []
        for setting, then in zip(settings, rows, strict=True):
            ranges.append(self._range(then))
            tried.append(self._tried(setting, then, ranges[-1]))
        kept = on_front([summed(costs(t.figures) for t in then) for then in rows])
        tried[0] = replace(tried[0], bars="")  # as it is needs no reason
        shown = tuple(replace(t, on_front=k) for t, k in zip(tried, kept, strict=True))
        able = [n for n, each in enumerate(shown) if n and not each.bars]
        ordered = tuple(sorted(shown, key=lambda t: (t.cooldown_ms, t.patience_ms or 0)))
        if not able:
            reasons = {each.bars for each in shown[1:]} - {NO_GAIN}
            return self._said(shown[0], Range.none(), ordered, "; ".join(sorted(reasons)))
        best = max(able, key=lambda n: _worth(shown[n], ranges[n]))
        # Of those that the best is not surely better than, the longest rest is kinder to all.
        near = [n for n in able if self._range(rows[best], rows[n]).sure < SURE]
        chosen = max(near, key=lambda n: (shown[n].cooldown_ms, _worth(shown[n], ranges[n])))
        return self._said(shown[chosen], ranges[chosen], ordered)

    def _said(
        self, chosen: Tried, gain: Range, tried: tuple[Tried, ...], nothing: str | None = None
    ) -> Advice:
        now = next(
            t for t in tried if t.cooldown_ms == self._spec.cooldown_ms and not t.patience_ms
        )
        came = sum(each.figures.props[self._spec.id].visits for each in self._now)
        is_change = nothing is None
        says = f"answers {chosen.answered} instead of {now.answered} of {came} groups"
        return Advice(
            self._spec.id,
            self._spec.cooldown_ms,
            chosen.cooldown_ms if is_change else None,
            came,
            now.answered,
            gain.at,
            round(gain.low),
            round(gain.high),
            gain.sure,
            chosen.used_mah - now.used_mah if is_change else 0.0,
            says if is_change else nothing or NO_GAIN,
            tried,
            chosen.patience_ms if is_change else None,
            tuple(each.day for each in self._nights if each.day),
            self._resampler.blocks,
            self._resampler.by_night,
        )

    def _range(self, then: Sequence[Trial], now: Sequence[Trial] | None = None) -> Range:
        """Say what one setting answers more than another, or than now."""
        prop = self._spec.id
        return self._resampler.range(
            [
                [
                    b.answered - a.answered
                    for a, b in zip(
                        before.figures.props[prop].half_hours,
                        after.figures.props[prop].half_hours,
                        strict=True,
                    )
                ]
                for before, after in zip(now or self._now, then, strict=True)
            ],
            GAIN_MIN,
        )

    def _tried(self, setting: Setting, then: Sequence[Trial], gain: Range) -> Tried:
        prop, board = self._spec.id, self._spec.board
        mine = [each.figures.props[prop] for each in then]
        found = Tried(
            cooldown_ms=setting.cooldown_ms or 0,
            answered=sum(each.answered for each in mine),
            fired=sum(each.fired for each in mine),
            used_mah=sum(each.figures.used_mah[board] for each in then) / len(then),
            loud_ms=sum(each.loud_ms for each in mine),
            worst_duty=max(each.worst_duty for each in mine),
            patience_ms=setting.patience_ms,
            waited_ms=sum(each.waited_ms for each in mine),
            clashes=sum(each.figures.clashes for each in then),
            elsewhere=sum(
                each.figures.answered - m.answered for each, m in zip(then, mine, strict=True)
            ),
            left_percent=self._left(then),
            refused=dict(sum((Counter(each.refused) for each in mine), Counter[str]())),
            lapsed=sum(each.lapsed for each in mine),
            motor_ms=sum(each.motor_ms for each in mine),
            line_ms=line_ms_of(each.figures for each in then),
        )
        return replace(found, bars=self._bars(found, mine, then, gain))

    def _left(self, then: Sequence[Trial]) -> float | None:
        """Return the least that the prop's pack would have had at a close, if that is known."""
        board = self._spec.board
        found = [
            left_percent(night, before.figures, after.figures).get(board)
            for night, before, after in zip(self._nights, self._now, then, strict=True)
        ]
        known = [each for each in found if each is not None]
        return min(known, default=None)

    def _bars(
        self, tried: Tried, mine: Sequence[PropFigures], then: Sequence[Trial], gain: Range
    ) -> str:
        """Say why a setting is not to be recommended, or nothing."""
        if gain.at < GAIN_MIN:
            return NO_GAIN
        before = sum(
            each.figures.answered - each.figures.props[self._spec.id].answered for each in self._now
        )
        spare, duty = self._spare_percent(tried, then), self._spec.duty_permille
        worst_permille = max(each.worst_duty for each in mine) * 1000
        reasons = (
            (gain.sure < SURE, UNSURE),
            (before - tried.elsewhere > gain.at, NEIGHBOURS),
            (spare is not None and spare < RESERVE_PERCENT, PACK),
            (self._flattens_another(then), OTHER_PACK),
            (duty is not None and worst_permille > duty, MOTOR),
            (self._is_dear(tried, gain), DEAR),
        )
        return next((why for is_so, why in reasons if is_so), "")

    def _is_dear(self, tried: Tried, gain: Range) -> bool:
        """Hold what one group more costs against what a group of this prop costs now."""
        mine = [each.figures.props[self._spec.id] for each in self._now]
        answered = sum(each.answered for each in mine)
        prices = (
            (sum(each.fired for each in mine), tried.fired),
            (sum(each.motor_ms for each in mine), tried.motor_ms),
            (sum(each.loud_ms for each in mine), tried.loud_ms),
        )
        return any(
            (then - now) * answered > DEAR_TIMES * now * gain.at for now, then in prices if now
        )

    def _flattens_another(self, then: Sequence[Trial]) -> bool:
        """Say whether a board next to it would no longer reach the close with its reserve."""
        retires = {p.board: p.retire_percent or 0 for p in self._nights[-1].show.props}
        return any(
            left < retires.get(board, 0) + RESERVE_PERCENT
            and after.figures.used_mah[board] > before.figures.used_mah[board]
            for night, before, after in zip(self._nights, self._now, then, strict=True)
            for board, left in left_percent(night, before.figures, after.figures).items()
            if board != self._spec.board
        )

    def _spare_percent(self, tried: Tried, then: Sequence[Trial]) -> float | None:
        """Return what would be left at the close above the level of retiring."""
        if tried.left_percent is not None:
            return tried.left_percent - (self._spec.retire_percent or 0)
        board = self._spec.board
        capacity = self._nights[-1].draws.capacity_mah.get(board)
        if not capacity or self._spare is None:
            return None
        more_mah = max(
            b.figures.used_mah[board] - a.figures.used_mah[board]
            for a, b in zip(self._now, then, strict=True)
        )
        return self._spare - 100 * more_mah / capacity


def _worth(tried: Tried, gain: Range) -> tuple[float, ...]:
    """Groups first, then charge; of equals the longest rest, which is kinder to all."""
    return gain.at, -tried.used_mah, tried.cooldown_ms, -(tried.patience_ms or 0)
