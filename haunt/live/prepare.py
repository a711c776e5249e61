"""Turns the show file into the core's show: metres and decibels become neighbours and loads.

All geometry is done here, once, in whoever's thread asks; the arbiter only adds and compares.
"""

from dataclasses import dataclass
from math import hypot

from haunt.core import clockwork
from haunt.core.show import (
    Behaviour,
    BoardSpec,
    Line,
    Link,
    LoadSpec,
    PropSpec,
    SensorSpec,
    Show,
)
from haunt.live.ports import ChargeOf
from haunt.live.views import Labels
from haunt.wire import showmodels
from haunt.wire.saying import is_barred, line_id, read_line, words_in
from haunt.wire.showmodels import ShowFile
from haunt.wire.showtypes import DAYS
from haunt.workshop.pack import charge_percent
from haunt.workshop.sound import level_at, power_of
from haunt.workshop.walking import delay_ms

PATIENCE_MS = 3000
STAYS = frozenset({"pir", "radar"})
NO_VIEW = "garden"

Spot = tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Prepared:
    show: Show
    labels: Labels
    charge_of: ChargeOf


def prepare(file: ShowFile, seed: int = 1) -> Prepared:
    spots = _spots(file)
    loads = _Loads(file, spots)
    return Prepared(
        Show(
            id=file.info.id,
            time_zone=file.info.time_zone,
            boards=tuple(BoardSpec(each.id, each.model or "") for each in file.boards),
            sensors=tuple(_sensor(file, each) for each in file.sensors),
            props=tuple(_prop(file, each, spots, loads) for each in file.props),
            loads=tuple(loads.specs),
            timetable=tuple(_row(n, each) for n, each in enumerate(file.timetable)),
            gap_ms=file.stagger.gap_ms or 0,
            calendar=_calendar(file),
            seed=seed,
        ),
        _labels(file, spots),
        _charge_of(file),
    )


def _spots(file: ShowFile) -> dict[str, Spot]:
    """Where each prop stands; one without its own place stands at its board."""
    boards = {each.id: each for each in file.boards}
    found: dict[str, Spot] = {}
    for prop in file.props:
        at = prop if prop.x_m is not None and prop.y_m is not None else boards[prop.board]
        both = at.x_m is not None and at.y_m is not None
        found[prop.id] = (at.x_m, at.y_m) if both else None  # type: ignore[assignment]
    return found


def _near(of: str, spots: dict[str, Spot], radius_m: float | None) -> tuple[str, ...]:
    here = spots[of]
    if here is None or radius_m is None:
        return ()
    return tuple(
        other
        for other, there in spots.items()
        if other != of
        and there is not None
        and hypot(here[0] - there[0], here[1] - there[1]) <= radius_m
    )


class _Loads:
    """The shared limits, numbered, and what one behaviour draws of each."""

    def __init__(self, file: ShowFile, spots: dict[str, Spot]) -> None:
        self.specs: list[LoadSpec] = []
        self._spots = spots
        self._supply_of = {each.id: each.supply for each in file.boards}
        self._flash_hz = file.limits.flash_hz
        self._supplies = {
            each.id: self._add("supply", each.id, round(each.limit_a * 1000) - _idle(file, each.id))
            for each in file.supplies
            if each.limit_a is not None
        }
        self._views: dict[str, int] = {}
        self._points = [
            (self._add("sound-limit", each.name, power_of(each.max_level_dba)), each)
            for each in file.limits.boundary
        ]

    def _add(self, reason: str, name: str, limit: int) -> int:
        self.specs.append(LoadSpec(reason, name, limit))
        return len(self.specs) - 1

    def of(
        self, prop: showmodels.Prop, behaviour: showmodels.Behaviour
    ) -> tuple[tuple[int, int], ...]:
        draws: list[tuple[int, int]] = []
        supply = self._supply_of[prop.board]
        if supply in self._supplies and behaviour.peak_ma:
            draws.append((self._supplies[supply], round(behaviour.peak_ma)))
        if self._flash_hz is not None and behaviour.flash_hz:
            draws.append((self._view(prop.view or NO_VIEW), round(behaviour.flash_hz * 1000)))
        spot = self._spots[prop.id]
        if spot is not None and behaviour.level_dba is not None:
            for index, point in self._points:
                away_m = hypot(point.x_m - spot[0], point.y_m - spot[1])
                draws.append((index, power_of(level_at(behaviour.level_dba, away_m))))
        return tuple(draws)

    def _view(self, name: str) -> int:
        if name not in self._views:
            self._views[name] = self._add("flash", name, round((self._flash_hz or 0) * 1000))
        return self._views[name]


def _idle(file: ShowFile, supply: str) -> int:
    return round(sum(each.idle_ma or 0 for each in file.boards if each.supply == supply))


def _prop(file: ShowFile, prop: showmodels.Prop, spots: dict[str, Spot], loads: _Loads) -> PropSpec:
    patience_ms = prop.patience_ms
    if patience_ms is None:
        patience_ms = file.limits.patience_ms
    return PropSpec(
        id=prop.id,
        board=prop.board,
        name=prop.name or prop.id,
        behaviours=tuple(
            Behaviour(
                id=each.id,
                duration_ms=each.duration_ms,
                patience_ms=_first(each.patience_ms, patience_ms, PATIENCE_MS),
                motor_on_ms=each.motor_on_ms,
                intensity=each.intensity,
                level_dba=each.level_dba,
                flash_mhz=round((each.flash_hz or 0) * 1000),
                weight=round(each.weight * 1000),
                voice=each.voice,
                lead_ms=each.lead_ms,
                lines=_lines(file.info, each),
                draws=loads.of(prop, each),
            )
            for each in prop.behaviours
        ),
        cooldown_ms=prop.cooldown_ms,
        hourly_cap=prop.hourly_cap,
        duty_permille=None if prop.duty is None else round(prop.duty * 1000),
        priority=prop.priority,
        arm_by_hand=prop.arm_by_hand,
        retire_percent=prop.retire_percent,
        stretch_percent=prop.stretch_percent,
        stretch_permille=round(prop.stretch_factor * 1000),
        neighbours=_near(prop.id, spots, file.stagger.radius_m) if file.stagger.gap_ms else (),
        voice_neighbours=_near(prop.id, spots, file.stagger.voice_radius_m),
        alone=prop.alone,
    )


def _lines(info: showmodels.Info, behaviour: showmodels.Behaviour) -> tuple[Line, ...]:
    """What may be said: what nobody has kept only where gibberish is welcome."""
    barred = frozenset(word for each in info.barred_words for word in words_in(each))
    spoken = (read_line(each) for each in behaviour.lines)
    return tuple(
        Line(line_id(each.text), each.text, each.intensity or 1, is_barred(each.text, barred))
        for each in spoken
        if info.gibberish or not each.unheard
    )


def _first(*values: int | None) -> int:
    return next(each for each in values if each is not None)


def _sensor(file: ShowFile, sensor: showmodels.Sensor) -> SensorSpec:
    return SensorSpec(
        id=sensor.id,
        board=sensor.board,
        kind=sensor.kind,
        warm_up_ms=sensor.warm_up_ms,
        block_ms=sensor.block_ms,
        lull_ms=sensor.lull_ms,
        lull_max_ms=sensor.lull_max_ms,
        sees=tuple(sensor.sees),
        settle_ms=sensor.settle_ms,
        fresh_ms=sensor.fresh_ms,
        stays=sensor.kind in STAYS,
        action=sensor.action,
        links=tuple(
            Link(each.prop, told_delay_ms(file, each), each.after, each.within_ms or 0)
            for each in file.links
            if each.sensor == sensor.id
        ),
    )


def told_delay_ms(file: ShowFile, link: showmodels.Link) -> int:
    """Return the walk from sensor to prop that the file tells; a delay wins over a distance."""
    if link.delay_ms is not None:
        return link.delay_ms
    if link.distance_m is not None:
        return delay_ms(link.distance_m, file.info.walking_speed_m_s)
    return 0


def _row(number: int, row: showmodels.TimetableRow) -> clockwork.Timetable:
    low, high = row.every_ms if row.every_ms is not None else (0, 0)
    return clockwork.Timetable(
        number,
        row.prop,
        row.behaviour,
        row.at,
        low,
        high,
        row.start,
        row.end,
        row.only_after_motion_ms,
        row.only_after_quiet_ms,
    )


def _calendar(file: ShowFile) -> clockwork.CalendarSpec:
    return clockwork.CalendarSpec(
        nights=tuple(
            clockwork.NightSpec(each.date, each.opens, each.closes, each.last_group_min)
            for each in file.nights
        ),
        phases=tuple(
            clockwork.PhaseSpec(
                each.name,
                each.start,
                each.end,
                each.max_intensity,
                None if each.max_flash_hz is None else round(each.max_flash_hz * 1000),
                round(each.cooldown_factor * 1000),
            )
            for each in file.phases
        ),
        quiet=tuple(
            clockwork.QuietSpec(
                each.start,
                each.end,
                tuple(DAYS.index(day) for day in each.days),
                each.max_level_dba,
            )
            for each in file.quiet
        ),
    )


def _labels(file: ShowFile, spots: dict[str, Spot]) -> Labels:
    return Labels(
        file.info.name or file.info.id,
        {each.id: each.place or each.id for each in file.sensors},
        {each.id: (*(spots[each.id] or (None, None)), each.place or "") for each in file.props},
        _circuits(file),
    )


def _circuits(file: ShowFile) -> dict[str, str]:
    """Which house circuit each board hangs on, through its supply; one on a pack hangs on none."""
    circuit_of = {each.id: each.circuit for each in file.supplies if each.circuit is not None}
    return {
        each.id: circuit_of[each.supply]
        for each in file.boards
        if each.supply is not None and each.supply in circuit_of
    }


def _charge_of(file: ShowFile) -> ChargeOf:
    packs = {each.id: each.battery for each in file.boards if each.battery is not None}

    def charge(board: str, rest_mv: int) -> int | None:
        pack = packs.get(board)
        return None if pack is None else charge_percent(pack.chemistry, pack.series, rest_mv)

    return charge
