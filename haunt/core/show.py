"""The show as the arbiter sees it: whole numbers, ids, everything geometric worked out.

`live/prepare.py` makes one of these from a show file; nothing here is computed from metres,
volts or decibels any more.
"""

from dataclasses import dataclass, field

from haunt.core.clockwork import CalendarSpec, Timetable


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to say, named for ever by its `id`. `barred`: a gentle phase must not hear it."""

    id: str
    text: str
    intensity: int = 1
    barred: bool = False


@dataclass(frozen=True, slots=True)
class Behaviour:
    """One thing a prop can do. `draws` are (load index, amount) pairs into `Show.loads`."""

    id: str
    duration_ms: int
    patience_ms: int = 3000
    motor_on_ms: int = 0
    intensity: int = 1
    level_dba: float | None = None
    flash_mhz: int = 0
    weight: int = 1000
    voice: bool = False
    lead_ms: int = 0
    lines: tuple[Line, ...] = ()
    draws: tuple[tuple[int, int], ...] = ()

    @property
    def max_ms(self) -> int:
        return self.duration_ms + 500


@dataclass(frozen=True, slots=True)
class PropSpec:
    """Factors and shares are per mille: 1500 stretches a cooldown by half.

    `alone` names the behaviour that its board may play while it hears no controller; no rule asks.
    """

    id: str
    board: str
    name: str
    behaviours: tuple[Behaviour, ...]
    cooldown_ms: int = 0
    hourly_cap: int | None = None
    duty_permille: int | None = None
    priority: int = 0
    arm_by_hand: bool = False
    retire_percent: int | None = None
    stretch_percent: int | None = None
    stretch_permille: int = 1000
    neighbours: tuple[str, ...] = ()
    voice_neighbours: tuple[str, ...] = ()
    alone: str | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """Sensor to prop: `delay_ms` is the walk or the fixed delay; `after` must have seen them."""

    prop: str
    delay_ms: int = 0
    after: str | None = None
    within_ms: int = 0


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """`stays` is true of a sensor that goes on reporting people who stand still (PIR, radar)."""

    id: str
    board: str
    kind: str = "pir"
    warm_up_ms: int = 0
    block_ms: int = 0
    lull_ms: int | None = None
    lull_max_ms: int = 45_000
    sees: tuple[str, ...] = ()
    settle_ms: int = 0
    fresh_ms: int = 2000
    stays: bool = False
    action: str = "fire"
    links: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True)
class BoardSpec:
    id: str
    model: str = ""


@dataclass(frozen=True, slots=True)
class LoadSpec:
    """Something shared that has a limit: a supply (mA), a field of view (mHz), a boundary point.

    A boundary point's unit is sound power relative to 0 dBA, times 1,000. `reason` is the rule
    that speaks for it: `supply`, `flash` or `sound-limit`.
    """

    reason: str
    name: str
    limit: int


@dataclass(frozen=True, slots=True)
class Show:
    id: str
    time_zone: str
    boards: tuple[BoardSpec, ...] = ()
    sensors: tuple[SensorSpec, ...] = ()
    props: tuple[PropSpec, ...] = ()
    loads: tuple[LoadSpec, ...] = ()
    timetable: tuple[Timetable, ...] = ()
    gap_ms: int = 0
    calendar: CalendarSpec = field(default_factory=CalendarSpec)
    seed: int = 1
