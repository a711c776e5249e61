"""What a show file says about hours: times of day, nights, phases, quiet spans. Values only."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """A local clock reading, or an offset from sunset, in minutes."""

    minutes: int
    from_sunset: bool = False


@dataclass(frozen=True, slots=True)
class NightSpec:
    """One opening. It belongs to the local date it opens; `closes` shuts the entrance."""

    date: date
    opens: TimeOfDay
    closes: TimeOfDay
    last_group_min: int = 10


@dataclass(frozen=True, slots=True)
class PhaseSpec:
    name: str
    start: TimeOfDay
    end: TimeOfDay
    max_intensity: int | None = None
    max_flash_mhz: int | None = None
    cooldown_permille: int = 1000


@dataclass(frozen=True, slots=True)
class QuietSpec:
    """`days` (0 = Monday) name the day the span begins; empty is every day. No level bars all."""

    start: TimeOfDay
    end: TimeOfDay
    days: tuple[int, ...] = ()
    max_level_dba: float | None = None


@dataclass(frozen=True, slots=True)
class Timetable:
    """A prop fired by the clock: `at` a local time, or every so often between `start` and `end`."""

    row: int
    prop: str
    behaviour: str | None = None
    at: TimeOfDay | None = None
    every_min_ms: int = 0
    every_max_ms: int = 0
    start: TimeOfDay | None = None
    end: TimeOfDay | None = None
    only_after_motion_ms: int | None = None
    only_after_quiet_ms: int | None = None


@dataclass(frozen=True, slots=True)
class CalendarSpec:
    nights: tuple[NightSpec, ...] = ()
    phases: tuple[PhaseSpec, ...] = ()
    quiet: tuple[QuietSpec, ...] = ()
