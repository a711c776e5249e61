"""What a night cost and what it gave, prop by prop: the figures that settings are compared by."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from haunt.core.decisions import Outcome, Source
from haunt.core.show import Show
from haunt.study.rerun import BehaviourKey, Play, Recording, Rerun
from haunt.study.visits import Visit, answered, visits
from haunt.wire.showmodels import ShowFile

DUTY_WINDOW_MS = 600_000
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Draws:
    """Mean currents in mA from the show file; what is not given there is not summed."""

    behaviour_ma: Mapping[BehaviourKey, float] = field(default_factory=dict)
    idle_ma: Mapping[str, float] = field(default_factory=dict)
    capacity_mah: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PropFigures:
    """`answered` of `visits` groups had a start of theirs; `waited_ms` is the sum over those."""

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


@dataclass(frozen=True, slots=True)
class NightFigures:
    """`used_mah` is what each board's pack gave; `clashes` counts neighbours playing at once."""

    span_ms: int
    props: Mapping[str, PropFigures]
    used_mah: Mapping[str, float]
    clashes: int

    @property
    def visits(self) -> int:
        return sum(each.visits for each in self.props.values())

    @property
    def answered(self) -> int:
        return sum(each.answered for each in self.props.values())


def draws_of(file: ShowFile) -> Draws:
    return Draws(
        {
            (prop.id, behaviour.id): behaviour.average_ma
            for prop in file.props
            for behaviour in prop.behaviours
            if behaviour.average_ma is not None
        },
        {board.id: board.idle_ma for board in file.boards if board.idle_ma is not None},
        {
            board.id: board.battery.capacity_mah * board.battery.parallel
            for board in file.boards
            if board.battery is not None and board.battery.capacity_mah is not None
        },
    )


def measure(
    recording: Recording,
    show: Show,
    run: Rerun,
    draws: Draws,
    groups: Mapping[str, list[Visit]] | None = None,
) -> NightFigures:
    """Add up a rerun. `groups` may be given where many runs share one night's visitors."""
    patience = {p.id: max(b.patience_ms for b in p.behaviours) for p in show.props}
    found = dict(groups) if groups is not None else visits(recording.motions, show)
    met = answered(found, run.starts(), patience)
    happened = recording.outside
    span_ms = happened[-1].mono_ms - happened[0].mono_ms if happened else 0
    return NightFigures(
        span_ms,
        _props(show, run, met),
        _used(show, run.plays, draws, span_ms),
        _clashes(show, run.plays),
    )


def _props(show: Show, run: Rerun, met: Mapping[str, list[bool]]) -> dict[str, PropFigures]:
    refused: dict[str, Counter[str]] = defaultdict(Counter)
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
        found[prop.id] = PropFigures(
            visits=len(met[prop.id]),
            answered=sum(met[prop.id]),
            fired=len(mine),
            refused=dict(refused[prop.id]),
            lapsed=lapsed[prop.id],
            waited_ms=sum(p.waited_ms for p in mine),
            played_ms=sum(p.lasted_ms for p in mine),
            loud_ms=sum(p.lasted_ms for p in mine if by_id[p.behaviour].level_dba is not None),
            motor_ms=sum(on_ms for _, on_ms in motor),
            worst_duty=_worst_duty(motor),
        )
    return found


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
