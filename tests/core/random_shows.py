"""Random small shows for properties: few ids, so that what happens to them meets often.

One number makes a whole show: drawing every field by Hypothesis leaves no room for a long night.
"""

from datetime import date
from typing import TypeVar

from haunt.core.clockwork import (
    CalendarSpec,
    NightSpec,
    PhaseSpec,
    QuietSpec,
    TimeOfDay,
    Timetable,
)
from haunt.core.dice import draw
from haunt.core.show import (
    Behaviour,
    BoardSpec,
    Link,
    LoadSpec,
    PropSpec,
    SensorSpec,
    Show,
)

BOARDS = ("b0", "b1", "b2")
SENSORS = ("s0", "s1", "s2", "s3")
REASONS = ("supply", "flash", "sound-limit")
FIVE_PM = 17 * 60
T = TypeVar("T")


class Luck:
    """A stream of whole numbers that one seed repeats."""

    def __init__(self, seed: int) -> None:
        self._seed, self._count = seed, 0

    def below(self, sides: int) -> int:
        self._count += 1
        return draw(self._seed, str(self._count), sides)

    def of(self, *values: T) -> T:
        return values[self.below(len(values))]

    def some(self, most: int, *values: T) -> list[T]:
        """Return up to `most` different ones."""
        left = list(values)
        count = min(self.below(most + 1), len(left))
        return [left.pop(self.below(len(left))) for _ in range(count)]


def _behaviours(luck: Luck, loads: int) -> tuple[Behaviour, ...]:
    found = []
    for number in range(1 + luck.below(3)):
        duration = luck.of(500, 1000, 4000, 9000)
        found.append(
            Behaviour(
                f"do{number}",
                duration,
                patience_ms=luck.of(0, 1000, 3000, 3000, 8000),
                motor_on_ms=luck.of(0, duration // 2, duration),
                intensity=luck.of(1, 1, 2, 3, 5),
                level_dba=luck.of(None, 50.0, 80.0),
                flash_mhz=luck.of(0, 0, 2000),
                weight=luck.below(4),
                voice=luck.below(3) == 0,
                draws=tuple((index, 1 + luck.below(8)) for index in luck.some(3, *range(loads))),
            )
        )
    return tuple(found)


def _near(luck: Luck, names: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """Who is near whom; being near is mutual."""
    near: dict[str, list[str]] = {name: [] for name in names}
    for n, one in enumerate(names):
        for other in names[n + 1 :]:
            if luck.below(2):
                near[one].append(other)
                near[other].append(one)
    return {name: tuple(others) for name, others in near.items()}


def _props(luck: Luck, loads: int) -> tuple[PropSpec, ...]:
    names = tuple(f"p{n}" for n in range(2 + luck.below(5)))
    near, heard = _near(luck, names), _near(luck, names)
    return tuple(
        PropSpec(
            name,
            luck.of(*BOARDS),
            name.upper(),
            _behaviours(luck, loads),
            cooldown_ms=luck.of(0, 1000, 5000),
            hourly_cap=luck.of(None, None, None, 0, 3, 20),
            duty_permille=luck.of(None, None, None, 10, 50, 500),
            priority=luck.below(3),
            arm_by_hand=luck.below(6) == 0,
            retire_percent=luck.of(None, 20),
            stretch_percent=luck.of(None, 50),
            stretch_permille=luck.of(1000, 2000),
            neighbours=near[name],
            voice_neighbours=heard[name],
        )
        for name in names
    )


def _links(luck: Luck, sensor: str, names: tuple[str, ...]) -> tuple[Link, ...]:
    found = []
    for name in luck.some(4, *names) or luck.some(1, *names):
        after = luck.of(*SENSORS, *[None] * 40)
        after = None if after == sensor else after
        within = luck.of(1000, 20_000) if after is not None else 0
        found.append(Link(name, luck.of(0, 0, 500, 5000), after, within))
    return tuple(found)


def _sensors(luck: Luck, names: tuple[str, ...]) -> tuple[SensorSpec, ...]:
    actions = ("fire",) * 40 + ("stop", "hold", "gentle", "count")
    return tuple(
        SensorSpec(
            sensor,
            luck.of(*BOARDS),
            warm_up_ms=luck.of(0, 0, 0, 20_000),
            block_ms=luck.of(0, 0, 2500),
            lull_ms=luck.of(None, None, None, None, None, 4000),
            lull_max_ms=luck.of(10_000, 45_000),
            sees=tuple(luck.some(1, *names)),
            settle_ms=luck.of(0, 500),
            fresh_ms=luck.of(0, 500, 2000),
            stays=luck.below(2) == 0,
            action=luck.of(*actions),
            links=_links(luck, sensor, names),
        )
        for sensor in SENSORS
    )


def _calendar(luck: Luck) -> CalendarSpec:
    """Limits that begin and end within the first minutes of the stage's evening."""

    def minute() -> TimeOfDay:
        return TimeOfDay(FIVE_PM - 2 + luck.below(7))

    def limited() -> bool:
        return luck.below(3) == 0

    phases = [
        PhaseSpec("gentle", minute(), minute(), luck.of(None, 1, 3), luck.of(None, 0), factor)
        for factor in (1000, 2000)
        if limited()
    ]
    hush = [QuietSpec(minute(), minute(), (), luck.of(None, 60.0))] if limited() else []
    opening = date(2026, 11, 1)
    nights = [NightSpec(opening, minute(), minute(), luck.below(2))] if limited() else []
    return CalendarSpec(tuple(nights), tuple(phases), tuple(hush))


def _timetable(luck: Luck, specs: tuple[PropSpec, ...]) -> tuple[Timetable, ...]:
    rows = []
    for number in range(luck.of(0, 0, 1, 2)):
        prop = luck.of(*specs)
        behaviour = luck.of(None, prop.behaviours[0].id)
        lately = luck.of(None, None, 5000)
        if luck.below(2):
            at = TimeOfDay(FIVE_PM + luck.below(4))
            row = Timetable(number, prop.id, behaviour, at, only_after_motion_ms=lately)
        else:
            low = luck.of(5000, 20_000)
            row = Timetable(
                number, prop.id, behaviour, None, low, low * 2, only_after_quiet_ms=lately
            )
        rows.append(row)
    return tuple(rows)


def show_of(seed: int) -> Show:
    luck = Luck(seed)
    loads = tuple(
        LoadSpec(luck.of(*REASONS), f"l{n}", 1 + luck.below(16)) for n in range(luck.below(4))
    )
    specs = _props(luck, len(loads))
    return Show(
        "garden",
        luck.of("UTC", "Europe/London"),
        boards=tuple(BoardSpec(each) for each in BOARDS),
        sensors=_sensors(luck, tuple(each.id for each in specs)),
        props=specs,
        loads=loads,
        timetable=_timetable(luck, specs),
        gap_ms=luck.of(0, 500, 2000, 8000),
        calendar=_calendar(luck),
        seed=luck.below(4),
    )
