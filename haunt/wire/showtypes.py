"""What single keys of a show file may hold: seconds into whole milliseconds, times of day, names.

Each type turns the file's spelling into a value and back, or refuses it; none looks at another key.
"""

import re
from datetime import date, datetime
from difflib import get_close_matches
from typing import Annotated, Final, Literal, TypeAlias, TypeVar, get_args
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
)

from haunt.core.clockwork import TimeOfDay
from haunt.wire.forms import (
    CLOCK_TIME_PATTERN,
    ID_PATTERN,
    LINE_PATTERN,
    RESERVED,
    VOICE_PATTERN,
)
from haunt.wire.words import refusal

Item = TypeVar("Item")

DAY_S: Final = 86_400
TIME_ALLOWED: Final = "HH:MM from 00:00 to 23:59, sunset, sunset+HH:MM or sunset-HH:MM, in quotes"
ZONE_ALLOWED: Final = "an IANA name such as Europe/Berlin or America/New_York"
DATE_ALLOWED: Final = "a date such as 2026-10-31"
Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: Final[tuple[Day, ...]] = get_args(Day)

_CLOCK: Final = re.compile(CLOCK_TIME_PATTERN.removesuffix("$"))
_OFFSET: Final = re.compile(r"sunset(?:([+-])([01][0-9]|2[0-3]):([0-5][0-9]))?")


def _seconds(low_s: float, high_s: float) -> BeforeValidator:
    over = "more than 0" if low_s > 0 else "0"
    allowed = f"seconds from {over} to {high_s:g}, with at most three decimals"

    def to_ms(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(allowed)
        if not low_s <= value <= high_s:  # also false of nan
            raise refusal(allowed)
        ms = round(value * 1000)
        if abs(value * 1000 - ms) > 1e-6:
            raise refusal(allowed)
        return ms

    return BeforeValidator(to_ms, json_schema_input_type=float)


def _to_s(ms: int) -> int | float:
    return ms // 1000 if ms % 1000 == 0 else ms / 1000


def _to_time(value: object) -> TimeOfDay:
    if isinstance(value, TimeOfDay):
        return value
    if isinstance(value, str):
        if _CLOCK.fullmatch(value):
            return TimeOfDay(_minutes(value[:2], value[3:]))
        offset = _OFFSET.fullmatch(value)
        if offset:
            sign, hours, minutes = offset.groups(default="0")
            distance = _minutes(hours, minutes)
            return TimeOfDay(-distance if sign == "-" else distance, from_sunset=True)
    raise refusal(TIME_ALLOWED)


def _minutes(hours: str, minutes: str) -> int:
    return int(hours) * 60 + int(minutes)


def time_text(time: TimeOfDay) -> str:
    """The spelling of a time of day in a show file."""
    distance = f"{abs(time.minutes) // 60:02d}:{abs(time.minutes) % 60:02d}"
    if not time.from_sunset:
        return distance
    if time.minutes == 0:
        return "sunset"
    return f"sunset{'-' if time.minutes < 0 else '+'}{distance}"


def _to_date(value: object) -> date:
    if isinstance(value, datetime):
        raise refusal(DATE_ALLOWED)
    if isinstance(value, date):
        return value
    if isinstance(value, str) and len(value) == len("2026-10-31"):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    raise refusal(DATE_ALLOWED)


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        # KeyError: no such zone. OSError: a folder of zones, such as "America".
        near = get_close_matches(name, available_timezones(), n=1)
        also = f"; the nearest is {near[0]}" if near else ""
        raise refusal(f"{ZONE_ALLOWED}{also}") from None
    return name


def _free(name: str) -> str:
    if name in RESERVED:
        raise refusal("an id other than all and controller, which are topics of their own")
    return name


# A list in the file, a tuple ever after; strictness of the items is their own.
Many: TypeAlias = Annotated[tuple[Item, ...], Field(strict=False)]

_SECONDS_BACK: Final = PlainSerializer(_to_s, return_type=float | int)
Ms = Annotated[int, _seconds(0, DAY_S), _SECONDS_BACK]
SomeMs = Annotated[int, _seconds(0.001, DAY_S), _SECONDS_BACK]
PlayMs = Annotated[int, _seconds(0.001, 3600), _SECONDS_BACK]
MsRange = Annotated[tuple[SomeMs, SomeMs], Field(strict=False)]

Time = Annotated[
    TimeOfDay,
    BeforeValidator(_to_time, json_schema_input_type=str),
    PlainSerializer(time_text, return_type=str),
]
Date = Annotated[date, BeforeValidator(_to_date)]

Ref = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
NewId = Annotated[str, StringConstraints(pattern=ID_PATTERN), AfterValidator(_free)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Word = Annotated[str, StringConstraints(min_length=1, max_length=64)]
Line = Annotated[str, StringConstraints(pattern=LINE_PATTERN)]
Voice = Annotated[str, StringConstraints(pattern=VOICE_PATTERN)]
Zone = Annotated[str, StringConstraints(max_length=64), AfterValidator(_known_zone)]

Number = Annotated[float, Field(allow_inf_nan=False)]
Metres = Annotated[float, Field(ge=-10_000, le=10_000, allow_inf_nan=False)]
Distance = Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)]
Amount = Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1_000_000, allow_inf_nan=False)]
Hertz = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Decibels = Annotated[float, Field(ge=0, le=150, allow_inf_nan=False)]
Percent = Annotated[int, Field(ge=0, le=100)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Intensity = Annotated[int, Field(ge=1, le=5)]


class Table(BaseModel):
    """What every table of the file has in common: no key is guessed, none is changed later."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")
