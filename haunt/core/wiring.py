"""Builds a night from a show: ids become the things they name, once, before anything is judged."""

from functools import cache

from haunt.core.calendar import Calendar, Sunset, no_sunset
from haunt.core.night import Board, Load, Night, Prop, Sensor, Way
from haunt.core.plays import DUTY_WINDOW_MS
from haunt.core.show import Link, Show


def wire(show: Show, sunset: Sunset = no_sunset) -> Night:
    """Build a night from a show, with empty memory."""
    night = Night(show=show, calendar=Calendar(show.calendar, show.time_zone, sunset))
    night.boards = {spec.id: Board(spec=spec) for spec in show.boards}
    night.loads = [Load(spec) for spec in show.loads]
    night.timetable = {row.row: row for row in show.timetable}
    for spec in show.props:
        night.props[spec.id] = Prop(
            spec=spec,
            board=night.boards[spec.board],
            longest_ms=max((b.duration_ms for b in spec.behaviours), default=0),
            patience_ms=max((b.patience_ms for b in spec.behaviours), default=0),
            duty_ms=_duty_ms(spec.duty_permille),
        )
    for sensor in show.sensors:
        night.sensors[sensor.id] = Sensor(spec=sensor, board=night.boards[sensor.board])
    _join(night)
    return night


def _join(night: Night) -> None:
    """Replace ids by the things they name, and group what shares a board, a sensor, a load."""
    on_board: dict[str, list[Prop]] = {}
    feeding: dict[str, list[Sensor]] = {}
    sharing: dict[int, set[str]] = {}
    asked = {link.after for sensor in night.sensors.values() for link in sensor.spec.links}
    for sensor in night.sensors.values():
        sensor.asked = sensor.spec.id in asked
        sensor.sees = tuple(night.props[each] for each in sensor.spec.sees)
        sensor.links = tuple(_link(night, link) for link in sensor.spec.links)
        for name in {link.prop for link in sensor.spec.links}:
            feeding.setdefault(name, []).append(sensor)
    for name, prop in night.props.items():
        on_board.setdefault(prop.spec.board, []).append(prop)
        for index in _load_indices(prop):
            sharing.setdefault(index, set()).add(name)
    for name, prop in night.props.items():
        prop.neighbours = tuple(night.props[each] for each in prop.spec.neighbours)
        prop.voice_neighbours = tuple(night.props[each] for each in prop.spec.voice_neighbours)
        prop.feeders = tuple(feeding.get(name, ()))
        prop.peaks = _peaks(night, prop)
        prop.narrows = bool(prop.voice_neighbours or prop.duty_ms is not None or prop.peaks)
        affected = {*prop.spec.neighbours, *prop.spec.voice_neighbours}
        for index in _load_indices(prop):
            affected |= sharing[index]
        prop.affected = frozenset(night.props[each] for each in affected - {name})
    for name, board in night.boards.items():
        board.props = tuple(on_board.get(name, ()))
        board.sensors = tuple(s for s in night.sensors.values() if s.board is board)


def _link(night: Night, link: Link) -> Way:
    after = night.sensors[link.after] if link.after is not None else None
    return Way(link.prop, night.props[link.prop], link.delay_ms, after, link.within_ms)


def _peaks(night: Night, prop: Prop) -> tuple[tuple[Load, int], ...]:
    """Return the most that any behaviour draws of each load."""
    most: dict[int, int] = {}
    for behaviour in prop.spec.behaviours:
        for index, amount in behaviour.draws:
            most[index] = max(most.get(index, 0), amount)
    return tuple((night.loads[index], amount) for index, amount in most.items())


def _load_indices(prop: Prop) -> set[int]:
    return {index for behaviour in prop.spec.behaviours for index, _ in behaviour.draws}


@cache  # one number for all that are alike: each its own is a cold line of memory a motion
def _duty_ms(permille: int | None) -> int | None:
    """Return how long a motor may run in ten minutes; None where nobody says."""
    return None if permille is None else permille * DUTY_WINDOW_MS // 1000
