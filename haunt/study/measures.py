"""What a night cost and what it gave, prop by prop: the figures that settings are compared by."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median_low
from typing import Final, NamedTuple

from haunt.core.calendar import HOUR_MS
from haunt.core.decisions import Outcome, Source
from haunt.core.events import BoardHealth
from haunt.core.show import Show
from haunt.study.noise import line_ms
from haunt.study.rerun import BehaviourKey, Play, Recording, Rerun
from haunt.study.visits import Visit, visits, waits
from haunt.wire.showmodels import ShowFile

DUTY_WINDOW_MS: Final = 600_000
BLOCK_MS: Final = 1_800_000
READINGS: Final = 5
"""Readings of a pack that are taken together: one under load says nothing."""


@dataclass(frozen=True, slots=True)
class Draws:
    """Mean currents in mA from the show file; what is not given there is not summed."""

    behaviour_ma: Mapping[BehaviourKey, float] = field(default_factory=dict)
    idle_ma: Mapping[str, float] = field(default_factory=dict)
    capacity_mah: Mapping[str, float] = field(default_factory=dict)


class Charge(NamedTuple):
    """What a board's pack had at the beginning and at the end, in per cent."""

    first_percent: int
    last_percent: int


class HalfHour(NamedTuple):
    """Groups that came in a half hour of the night, and those that were answered."""

    visits: int
    answered: int


@dataclass(frozen=True, slots=True)
class PropFigures:
    """`answered` of `visits` groups had a start of theirs; `waited_ms` is the sum over those.

    A group waits from its first motion on.
    """

    visits: int
    answered: int
    fired: int
    refused: Mapping[str, int]
    lapsed: int
    waited_ms: int
    played_ms: int
    loud_ms: int
    motor_ms: int
    worst_duty: float
    half_hours: tuple[HalfHour, ...] = ()

    @property
    def mean_wait_ms(self) -> int:
        return self.waited_ms // self.answered if self.answered else 0


@dataclass(frozen=True, slots=True)
class NightFigures:
    """`used_mah` is what each board's pack gave; `clashes` counts neighbours playing at once.

    `line_ms` is the sound at the property line, as time at its limit; None: no point is given.
    """

    span_ms: int
    props: Mapping[str, PropFigures]
    used_mah: Mapping[str, float]
    clashes: int
    line_ms: float | None = None

    @property
    def visits(self) -> int:
        return sum(each.visits for each in self.props.values())

    @property
    def answered(self) -> int:
        return sum(each.answered for each in self.props.values())

    @property
    def fired(self) -> int:
        return sum(each.fired for each in self.props.values())

    @property
    def lapsed(self) -> int:
        return sum(each.lapsed for each in self.props.values())

    @property
    def refused(self) -> Counter[str]:
        found: Counter[str] = Counter()
        for each in self.props.values():
            found.update(each.refused)
        return found

    @property
    def mean_wait_ms(self) -> int:
        waited = sum(each.waited_ms for each in self.props.values())
        return waited // self.answered if self.answered else 0

    @property
    def loud_ms(self) -> int:
        return sum(each.loud_ms for each in self.props.values())

    @property
    def motor_ms(self) -> int:
        return sum(each.motor_ms for each in self.props.values())

    @property
    def worst_duty(self) -> float:
        return max((each.worst_duty for each in self.props.values()), default=0.0)


def draws_of(file: ShowFile) -> Draws:
    """What a prop's idle tracks draw is added to its board: they run nearly all the time."""
    idle = {board.id: board.idle_ma for board in file.boards if board.idle_ma is not None}
    for prop in file.props:
        if prop.idle is not None and prop.idle.average_ma is not None:
            idle[prop.board] = idle.get(prop.board, 0.0) + prop.idle.average_ma
    return Draws(
        {
            (prop.id, behaviour.id): behaviour.average_ma
            for prop in file.props
            for behaviour in prop.behaviours
            if behaviour.average_ma is not None
        },
        idle,
        {
            board.id: (board.battery.measured_mah or board.battery.capacity_mah or 0.0)
            * board.battery.parallel
            for board in file.boards
            if board.battery is not None
            and (board.battery.measured_mah or board.battery.capacity_mah) is not None
        },
    )


def charges_of(recording: Recording) -> dict[str, Charge]:
    """Return what the packs had, from what the boards themselves told that night."""
    told: dict[str, list[int]] = defaultdict(list)
    for each in recording.outside:
        if isinstance(each, BoardHealth) and each.charge_percent is not None:
            told[each.board].append(each.charge_percent)
    return {
        board: Charge(median_low(found[:READINGS]), median_low(found[-READINGS:]))
        for board, found in told.items()
    }


def measure(
    recording: Recording,
    show: Show,
    run: Rerun,
    draws: Draws,
    groups: Mapping[str, list[Visit]] | None = None,
) -> NightFigures:
    """Add up a rerun. `groups` may be given where many runs share one night's visitors."""
    found = dict(groups) if groups is not None else visits(recording.motions, show)
    happened = recording.outside
    start_ms = happened[0].mono_ms if happened else 0
    span_ms = happened[-1].mono_ms - start_ms if happened else 0
    return NightFigures(
        span_ms,
        _props(show, run, found, start_ms, span_ms),
        _used(show, run.plays, draws, span_ms),
        _clashes(show, run.plays),
        line_ms(show, run.plays),
    )


def _props(
    show: Show, run: Rerun, groups: Mapping[str, list[Visit]], start_ms: int, span_ms: int
) -> dict[str, PropFigures]:
    patience = {p.id: max(b.patience_ms for b in p.behaviours) for p in show.props}
    waited = waits(groups, run.starts(), patience)
    refused: dict[str, Counter[str]] = {prop.id: Counter() for prop in show.props}
    lapsed: Counter[str] = Counter()
    for each in run.decisions:
        if each.source is Source.MOTION and each.prop is not None:
            if each.outcome is Outcome.REFUSED:
                refused[each.prop][each.reason or ""] += 1
            elif each.outcome is Outcome.LAPSED:
                lapsed[each.prop] += 1
    plays: dict[str, list[Play]] = defaultdict(list)
    for play in run.plays:
        plays[play.prop].append(play)
    found = {}
    for prop in show.props:
        mine = plays[prop.id]
        by_id = {b.id: b for b in prop.behaviours}
        motor = [(p.at_ms, min(by_id[p.behaviour].motor_on_ms, p.lasted_ms)) for p in mine]
        got = [each for each in waited[prop.id] if each is not None]
        found[prop.id] = PropFigures(
            visits=len(groups[prop.id]),
            answered=len(got),
            fired=len(mine),
            refused=dict(refused[prop.id]),
            lapsed=lapsed[prop.id],
            waited_ms=sum(got),
            played_ms=sum(p.lasted_ms for p in mine),
            loud_ms=sum(p.lasted_ms for p in mine if by_id[p.behaviour].level_dba is not None),
            motor_ms=sum(on_ms for _, on_ms in motor),
            worst_duty=_worst_duty(motor),
            half_hours=_half_hours(groups[prop.id], waited[prop.id], start_ms, span_ms),
        )
    return found


def _half_hours(
    groups: list[Visit], waited: list[int | None], start_ms: int, span_ms: int
) -> tuple[HalfHour, ...]:
    """Cut a night into half hours, the last of them shorter; a late group belongs to it."""
    count = max(1, -(-span_ms // BLOCK_MS))
    came, got = [0] * count, [0] * count
    for group, wait_ms in zip(groups, waited, strict=True):
        at = min(count - 1, max(0, group.first_ms - start_ms) // BLOCK_MS)
        came[at] += 1
        got[at] += wait_ms is not None
    return tuple(HalfHour(*each) for each in zip(came, got, strict=True))


def _worst_duty(motor: list[tuple[int, int]]) -> float:
    """Return the largest share of on-time in any ten minutes that end with an on-time."""
    worst = total = 0
    first = 0
    for at_ms, on_ms in motor:
        total += on_ms
        while motor[first][0] + motor[first][1] <= at_ms + on_ms - DUTY_WINDOW_MS:
            total -= motor[first][1]
            first += 1
        worst = max(worst, total)
    return worst / DUTY_WINDOW_MS


def _used(show: Show, plays: tuple[Play, ...], draws: Draws, span_ms: int) -> dict[str, float]:
    """Idle over the whole span, and what each behaviour draws on top while it plays, in mAh."""
    board_of = {prop.id: prop.board for prop in show.props}
    used = {board.id: draws.idle_ma.get(board.id, 0.0) * span_ms / HOUR_MS for board in show.boards}
    for play in plays:
        ma = draws.behaviour_ma.get((play.prop, play.behaviour), 0.0)
        used[board_of[play.prop]] += ma * play.lasted_ms / HOUR_MS
    return used


def _clashes(show: Show, plays: tuple[Play, ...]) -> int:
    """Count starts of a prop while a neighbour was playing."""
    near = {p.id: frozenset((*p.neighbours, *p.voice_neighbours)) for p in show.props}
    busy: dict[str, int] = {}
    found = 0
    for play in plays:
        found += any(busy.get(other, 0) > play.at_ms for other in near[play.prop])
        busy[play.prop] = play.at_ms + play.lasted_ms
    return found
