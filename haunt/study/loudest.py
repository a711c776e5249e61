"""The loudest that may sound at one point at once: which behaviours the rules let play together.

Numbers and neighbours are those of the running night. Exact to 0.1 dB, or a bound that says so.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cached_property
from math import hypot, log10
from typing import Final, NamedTuple

from haunt.core.behaviourrules import may_play
from haunt.core.calendar import DAY_MS, Calendar, Piece, Sunset
from haunt.core.show import PropSpec, Show
from haunt.study.pieces import pieces_between
from haunt.study.places import Kind, Spot, spots_of
from haunt.study.together import Groups, Part, Together, best_of
from haunt.wire.showmodels import ShowFile
from haunt.workshop.sound import level_at

NOTHING: Final = Together((), 0.0, 0.0, is_exact=True)
SEASON: Final = date(2026, 10, 25)
SEASON_DAYS: Final = 8
"""A show without nights is always open: the calendar is looked at through this week."""
ASSUMED: Final = (
    "The loudest that can be heard at a point: visitors are everywhere at once, and of all "
    "behaviours that the rules let sound together those are taken that add up to most there. One a "
    "prop; phases and quiet hours (audience, quiet-hours), one voice within the voice radius "
    "(talk-over), and limits of supplies, flashes and the boundary (supply, flash, sound-limit) "
    "hold. Neighbours start one gap apart (stagger) and still sound together where the first lasts "
    "longer than the gap. Idle sounds go on between. Nobody fires by hand, which overrules stagger."
)
GROUND: Final = (
    "Levels at 1 m as the file gives them, less 6 dB for each doubling of the distance, powers "
    "added. No walls, no echo, no wind, no voices of people: outdoors such a figure is good to "
    "6 dB either way (common practice, no source)."
)


class Source(NamedTuple):
    """One sound, and its level at the point that was asked for; no behaviour is the idle one."""

    prop: str
    behaviour: str | None
    level_dba: float


@dataclass(frozen=True, slots=True)
class Loudest:
    """`is_exact` is false where the level is only a bound: not louder than this."""

    level_dba: float
    playing: tuple[Source, ...]
    is_exact: bool = True


class Sounds:
    """All that can sound in one show."""

    def __init__(self, file: ShowFile, show: Show, sunset: Sunset) -> None:
        self._file, self._show, self._sunset = file, show, sunset
        self._groups = Groups(show)
        spots = spots_of(file)
        self._at = {each.id: spots[f"{Kind.PROP}:{each.id}"] for each in file.props}
        self._idle = {
            each.id: each.idle.level_dba
            for each in file.props
            if each.idle is not None and each.idle.level_dba is not None
        }

    def unplaced(self) -> list[str]:
        """Props that sound and have no place: they are in no sum."""
        return [e.id for e in self._show.props if self._at[e.id] is None and self._sounds(e)]

    def unrated(self) -> list[str]:
        """Props with a voice whose level nobody gave."""
        return [
            each.id
            for each in self._show.props
            if any(b.voice and b.level_dba is None for b in each.behaviours)
        ]

    def _sounds(self, prop: PropSpec) -> bool:
        return prop.id in self._idle or any(e.level_dba is not None for e in prop.behaviours)

    def loudest(self, spot: Spot) -> Loudest | None:
        """None where nothing sounds."""
        idle, cap = self._idle_at(spot), self._cap(spot)
        base = sum(idle.values())
        found = [
            best_of(self._show, self._groups, parts, base) for parts in self._parts(spot, idle)
        ]
        best = max(found, key=lambda each: each.bound, default=NOTHING)
        power = base + (best.gain if best.is_exact else min(cap, best.bound))
        if power <= 0:
            return None
        return Loudest(10 * log10(power), _sources(best, idle), best.is_exact)

    def _cap(self, spot: Spot) -> float:
        """At a point of the boundary no set passes its limit, however long one would search."""
        limits = [
            each.max_level_dba
            for each in self._file.limits.boundary
            if (each.x_m, each.y_m) == spot
        ]
        return float(10 ** (min(limits) / 10)) if limits else float("inf")

    def _idle_at(self, spot: Spot) -> dict[str, float]:
        powers = {}
        for prop, level_dba in self._idle.items():
            at = self._at[prop]
            if at is not None:
                powers[prop] = _power(level_dba, at, spot)
        return powers

    def _parts(self, spot: Spot, idle: dict[str, float]) -> Iterator[list[Part]]:
        """What may play, once for each set of limits that the calendar comes to."""
        for names in self._allowed:
            parts = []
            for prop in self._show.props:
                at = self._at[prop.id]
                for each in prop.behaviours if at is not None else ():
                    if (prop.id, each.id) in names and each.level_dba is not None:
                        assert at is not None
                        power = _power(each.level_dba, at, spot)
                        parts.append(Part(prop, each, power - idle.get(prop.id, 0.0)))
            yield parts

    @cached_property
    def _allowed(self) -> list[frozenset[tuple[str, str]]]:
        """Behaviours by what phases and quiet hours let pass; sets within others are left out."""
        found = {self._passed(each) for each in self._pieces()}
        return [one for one in found if not any(one < other for other in found)]

    def _passed(self, piece: Piece) -> frozenset[tuple[str, str]]:
        return frozenset(
            (prop.id, each.id)
            for prop in self._show.props
            for each in prop.behaviours
            if may_play(each, piece)
        )

    def _pieces(self) -> Iterator[Piece]:
        calendar = Calendar(self._show.calendar, self._show.time_zone, self._sunset)
        nights = [each.date for each in self._show.calendar.nights]
        days = nights or [date.fromordinal(SEASON.toordinal() + n) for n in range(SEASON_DAYS)]
        for day in days:
            at_ms = _midnight_ms(day) - DAY_MS // 2
            end_ms = at_ms + 2 * DAY_MS + DAY_MS // 2
            yield from (each for each in pieces_between(calendar, at_ms, end_ms) if each.open)


def _sources(best: Together, idle: dict[str, float]) -> tuple[Source, ...]:
    powers = {each.prop.id: each.gain + idle.get(each.prop.id, 0.0) for each in best.parts}
    found = [
        Source(each.prop.id, each.behaviour.id, 10 * log10(powers[each.prop.id]))
        for each in best.parts
    ]
    found += [
        Source(prop, None, 10 * log10(power)) for prop, power in idle.items() if prop not in powers
    ]
    return tuple(sorted(found, key=lambda each: (-each.level_dba, each.prop)))


def _midnight_ms(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1000


def _power(level_1m_dba: float, source: Spot, spot: Spot) -> float:
    away_m = hypot(source[0] - spot[0], source[1] - spot[1])
    return float(10 ** (level_at(level_1m_dba, away_m) / 10))
