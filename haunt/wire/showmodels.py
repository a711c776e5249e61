"""The show file as frozen values, one class per table; attributes say ms where the file says s.

`None` means left out: not summed, not checked. Whether a reference leads anywhere is not seen here.
"""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from haunt.core.clockwork import TimeOfDay
from haunt.wire.showpower import Battery, Circuit, Driver, Motor, Regulator, Speaker, Supply, Wire
from haunt.wire.showtypes import (
    Amount,
    Date,
    Day,
    Decibels,
    Distance,
    Hertz,
    Intensity,
    Line,
    Many,
    Metres,
    Ms,
    MsRange,
    NewId,
    Number,
    Percent,
    PlayMs,
    Positive,
    Ref,
    Share,
    Table,
    Text,
    Time,
    Voice,
    Word,
    Zone,
)
from haunt.wire.words import refusal

MIDNIGHT = TimeOfDay(0)

SensorKind = Literal["pir", "beam", "mat", "radar", "button"]
Action = Literal["fire", "gentle", "hold", "stop", "count"]
HazardKind = Literal["step", "kerb", "water", "flame", "edge"]
StopState = Literal["off", "hold", "home", "on"]


def _button(word: object) -> object:
    return "button" if word == "push-button" else word


def _tracks(value: object) -> object:
    """Names in a list, or by what they drive: `{voice = "…", light = "…", motion = "…"}`."""
    named = list(value.values()) if isinstance(value, dict) else value
    if not isinstance(named, list | tuple) or not all(isinstance(each, str) for each in named):
        raise refusal('names in a list, or {voice = "…", light = "…", motion = "…"}')
    return value


def _pins(value: object) -> object:
    if not isinstance(value, dict):
        raise refusal("pins by name, such as {pir = 4, eyes = 16}")
    for pin in value.values():
        if isinstance(pin, bool) or not isinstance(pin, int | str):
            raise refusal("each pin as a number or a name in quotes")
    return value


class Point(Table):
    x_m: Metres
    y_m: Metres


class Info(Table):
    """Table `[show]`."""

    id: NewId
    name: Text | None = None
    time_zone: Zone
    latitude: Annotated[Number, Field(ge=-90, le=90)] | None = None
    longitude: Annotated[Number, Field(ge=-180, le=180)] | None = None
    walking_speed_m_s: Annotated[Number, Field(ge=0.1, le=3)] = 0.8
    night_low_c: Annotated[Number, Field(ge=-60, le=60)] | None = None
    speech_wpm: Annotated[int, Field(ge=80, le=450)] = 150
    speech_voice: Voice = "en"
    gibberish: bool = False
    barred_words: Many[Word] = ()


class Night(Table):
    date: Date
    opens: Time
    closes: Time
    last_group_min: Annotated[int, Field(ge=0, le=240)] = 10


class Phase(Table):
    """Equal ends are the whole day."""

    name: Word
    start: Time = Field(alias="from", default=MIDNIGHT)
    end: Time = Field(alias="to", default=MIDNIGHT)
    max_intensity: Intensity | None = None
    max_flash_hz: Hertz | None = None
    cooldown_factor: Annotated[Number, Field(ge=0.1, le=10)] = 1.0


class Quiet(Table):
    """No days: every day. No level: all behaviours are barred."""

    start: Time = Field(alias="from", default=MIDNIGHT)
    end: Time = Field(alias="to", default=MIDNIGHT)
    days: Many[Day] = ()
    max_level_dba: Decibels | None = None


class Stagger(Table):
    radius_m: Distance | None = None
    gap_ms: Ms | None = Field(alias="gap_s", default=None)
    voice_radius_m: Distance | None = None


class BoundaryPoint(Table):
    name: Word
    x_m: Metres
    y_m: Metres
    max_level_dba: Decibels


class Limits(Table):
    flash_hz: Hertz | None = None
    patience_ms: Ms | None = Field(alias="patience_s", default=None)
    boundary: Many[BoundaryPoint] = ()


class Traffic(Table):
    """Groups an hour, and from a quiet to a busy evening; for forecasts only."""

    groups_per_hour: Positive
    low: Positive | None = None
    high: Positive | None = None


class Board(Table):
    """`input_min_v` and `input_max_v`: what is printed on the carrier that takes the pack.

    `inputs` and `analog` are names of pins that are no outputs; `stop_states` names outputs.
    """

    id: NewId
    model: Word | None = None
    place: Text | None = None
    x_m: Metres | None = None
    y_m: Metres | None = None
    supply: Ref | None = None
    battery: Battery | None = None
    pins: Annotated[dict[Word, int | str], BeforeValidator(_pins)] = Field(default={})
    regulator: Word | None = None
    driver: Word | None = None
    idle_ma: Amount | None = None
    input_min_v: Positive | None = None
    input_max_v: Positive | None = None
    wire: Wire | None = None
    inputs: Many[Word] = ()
    analog: Many[Word] = ()
    stop_states: dict[Word, StopState] = Field(default={})


class Sensor(Table):
    id: NewId
    board: Ref
    kind: Annotated[SensorKind, BeforeValidator(_button)] = "pir"
    place: Text | None = None
    x_m: Metres | None = None
    y_m: Metres | None = None
    warm_up_ms: Ms = Field(alias="warm_up_s", default=0)
    block_ms: Ms = Field(alias="block_s", default=0)
    lull_ms: Ms | None = Field(alias="lull_s", default=None)
    lull_max_ms: Ms = Field(alias="lull_max_s", default=45_000)
    sees: Many[Ref] = ()
    settle_ms: Ms = Field(alias="settle_s", default=0)
    fresh_ms: Ms = Field(alias="fresh_s", default=2_000)
    action: Action = "fire"
    aim_deg: Annotated[Number, Field(ge=-360, le=360)] | None = None
    range_m: Distance | None = None


class Idle(Table):
    """Table `[prop.idle]`: runs whenever nothing else does."""

    tracks: Annotated[Many[Word] | dict[Word, Word], BeforeValidator(_tracks)] = ()
    average_ma: Amount | None = None
    level_dba: Decibels | None = None
    flash_hz: Hertz | None = None


class Behaviour(Table):
    id: NewId
    duration_ms: PlayMs = Field(alias="duration_s")
    motor_on_ms: Ms = Field(alias="motor_on_s", default=0)
    intensity: Intensity = 1
    level_dba: Decibels | None = None
    flash_hz: Hertz | None = None
    peak_ma: Amount | None = None
    average_ma: Amount | None = None
    weight: Annotated[Number, Field(ge=0, le=1000)] = 1.0
    voice: bool = False
    patience_ms: Ms | None = Field(alias="patience_s", default=None)
    lead_ms: Annotated[int, Field(ge=0, le=60_000)] = 0
    lines: Many[Line] = ()
    tracks: Annotated[Many[Word] | dict[Word, Word], BeforeValidator(_tracks)] = ()


class Prop(Table):
    id: NewId
    board: Ref
    name: Text | None = None
    place: Text | None = None
    x_m: Metres | None = None
    y_m: Metres | None = None
    cooldown_ms: Ms = Field(alias="cooldown_s", default=0)
    hourly_cap: Annotated[int, Field(ge=1, le=3600)] | None = None
    duty: Share | None = None
    priority: Annotated[int, Field(ge=-1000, le=1000)] = 0
    patience_ms: Ms | None = Field(alias="patience_s", default=None)
    arm_by_hand: bool = False
    view: Word | None = None
    retire_percent: Percent | None = None
    stretch_percent: Percent | None = None
    stretch_factor: Annotated[Number, Field(ge=1, le=10)] = 2.0
    cut_off: Text | None = None
    alone: Ref | None = None
    scare_spot: Point | None = None
    motor: Motor | None = None
    speaker: Speaker | None = None
    idle: Idle | None = None
    behaviours: Many[Behaviour] = Field(alias="behaviour", default=())


class Link(Table):
    """`delay_ms` wins over `distance_m`; neither is no delay."""

    sensor: Ref
    prop: Ref
    distance_m: Distance | None = None
    delay_ms: Ms | None = Field(alias="delay_s", default=None)
    after: Ref | None = None
    within_ms: Ms | None = Field(alias="within_s", default=None)


class TimetableRow(Table):
    """Without a behaviour the prop picks one. Without ends it holds all day."""

    prop: Ref
    behaviour: Ref | None = None
    at: Time | None = None
    every_ms: MsRange | None = Field(alias="every_s", default=None)
    start: Time | None = Field(alias="from", default=None)
    end: Time | None = Field(alias="to", default=None)
    only_after_motion_ms: Ms | None = Field(alias="only_after_motion_s", default=None)
    only_after_quiet_ms: Ms | None = Field(alias="only_after_quiet_s", default=None)


class Hazard(Table):
    kind: HazardKind
    x_m: Metres
    y_m: Metres


class ShowFile(Table):
    info: Info = Field(alias="show")
    nights: Many[Night] = Field(alias="night", default=())
    phases: Many[Phase] = Field(alias="phase", default=())
    quiet: Many[Quiet] = ()
    stagger: Stagger = Stagger()
    limits: Limits = Limits()
    traffic: Traffic | None = None
    circuits: Many[Circuit] = Field(alias="circuit", default=())
    supplies: Many[Supply] = Field(alias="supply", default=())
    regulators: Many[Regulator] = Field(alias="regulator", default=())
    drivers: Many[Driver] = Field(alias="driver", default=())
    boards: Many[Board] = Field(alias="board", default=())
    sensors: Many[Sensor] = Field(alias="sensor", default=())
    props: Many[Prop] = Field(alias="prop", default=())
    links: Many[Link] = Field(alias="link", default=())
    timetable: Many[TimetableRow] = ()
    hazards: Many[Hazard] = Field(alias="hazard", default=())
