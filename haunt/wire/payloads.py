"""Payloads of the wire as frozen models: the one source for decoder, encoder, schema and document.

Bytes become a value here or are refused as a whole; nothing is guessed, no clock is read.
"""

from typing import Annotated, Final, Literal, TypeAlias, get_args, overload

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    StringConstraints,
    TypeAdapter,
    ValidationError,
)
from pydantic_core import CoreSchema, core_schema

from haunt.wire.errors import PAYLOAD_BYTES_MAX, BoardSpokeNonsense, WeSpokeTooLong
from haunt.wire.forms import (
    BOOT_PATTERN,
    CLOCK_TIME_PATTERN,
    CUE_ID_PATTERN,
    ID_PATTERN,
    LINE_PATTERN,
)
from haunt.wire.topics import Kind
from haunt.wire.words import clipped, words_of

INTEGER_MAX: Final = 2**53 - 1  # what every JSON reader keeps exactly

ResetWord = Literal[
    "power-on", "brown-out", "watchdog", "soft", "deep-sleep", "external", "unknown"
]
RESET_WORDS: Final[frozenset[str]] = frozenset(get_args(ResetWord))


def _known_reset(word: object) -> object:
    # A port may name a cause we never heard of; that is no reason to lose its presence.
    return "unknown" if isinstance(word, str) and word not in RESET_WORDS else word


class _OrLeftOut:
    """Marks a key that may be missing; None in Python, but in JSON a null is a mistyped value."""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        or_none = handler(source)
        assert or_none["type"] == "nullable", "it marks what may be None"
        return core_schema.json_or_python_schema(or_none["schema"], or_none)


_OR_LEFT_OUT: Final = _OrLeftOut()

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
Boot = Annotated[str, StringConstraints(pattern=BOOT_PATTERN)]
CueId = Annotated[str, StringConstraints(pattern=CUE_ID_PATTERN)]
ClockTime = Annotated[str, StringConstraints(pattern=CLOCK_TIME_PATTERN)]
Line = Annotated[str, StringConstraints(pattern=LINE_PATTERN)]
ShortText = Annotated[str, StringConstraints(max_length=64)]
Count = Annotated[int, Field(ge=0, le=INTEGER_MAX)]
FromOne = Annotated[int, Field(ge=1, le=INTEGER_MAX)]
Rssi = Annotated[int, Field(ge=-128, le=127)]
Reset = Annotated[ResetWord, BeforeValidator(_known_reset, json_schema_input_type=str)]


class _Payload(BaseModel):
    # Strict: a number in quotes or true for 1 is a fault of the firmware and is shown as one.
    model_config = ConfigDict(strict=True, frozen=True, extra="ignore")


class Here(_Payload):
    state: Literal["here"]
    boot: Boot
    conn: FromOne
    fw: Annotated[ShortText | None, _OR_LEFT_OUT] = None
    up_ms: Count
    reset: Reset = "unknown"


class Gone(_Payload):
    """The last will, or a goodbye."""

    state: Literal["gone"]
    boot: Boot
    conn: FromOne


Presence: TypeAlias = Annotated[Here | Gone, Field(discriminator="state")]


class Motion(_Payload):
    sensor: Id
    boot: Boot
    seq: FromOne
    age_ms: Count
    clock: Annotated[Id | None, _OR_LEFT_OUT] = None
    at_ms: Annotated[Count | None, _OR_LEFT_OUT] = None


class Health(_Payload):
    """Counters since boot, and in `active` how long each sensor has been high.

    `bad` counts payloads the board refused, `dropped` messages its full outbox let go.
    """

    boot: Boot
    up_ms: Count
    battery_mv: Annotated[Count | None, _OR_LEFT_OUT] = None
    rssi: Annotated[Rssi | None, _OR_LEFT_OUT] = None
    starts: dict[Id, Count] = {}
    motions: dict[Id, Count] = {}
    active: dict[Id, Count] = {}
    epoch: Annotated[Count | None, _OR_LEFT_OUT] = None
    stopped: Annotated[bool | None, _OR_LEFT_OUT] = None
    reset: Annotated[Reset | None, _OR_LEFT_OUT] = None
    bad: Annotated[Count | None, _OR_LEFT_OUT] = None
    dropped: Annotated[Count | None, _OR_LEFT_OUT] = None


class Cue(_Payload):
    cue: CueId
    epoch: Count
    prop: Id
    behaviour: Id
    max_ms: FromOne
    ttl_ms: Count
    sent_ms: Count
    line: Annotated[Line | None, _OR_LEFT_OUT] = None


class Report(_Payload):
    cue: CueId
    boot: Boot
    state: Literal["started", "finished", "refused", "aborted"]
    why: Annotated[ShortText | None, _OR_LEFT_OUT] = None
    epoch: Annotated[Count | None, _OR_LEFT_OUT] = None


class PropAlone(_Payload):
    """What a prop does by itself while there is no controller."""

    behaviour: Id
    cooldown_ms: Count


class Settings(_Payload):
    version: Count
    mode: Literal["still", "alone"]
    props: dict[Id, PropAlone] = {}
    hours: Annotated[tuple[tuple[ClockTime, ClockTime], ...], Field(max_length=16)] = ()


class Beat(_Payload):
    clock: Id
    now_ms: Count
    wall_ms: Count
    epoch: Count


class Stop(_Payload):
    stopped: bool
    epoch: Count
    at_ms: Count


Payload: TypeAlias = Here | Gone | Motion | Health | Report | Cue | Settings | Beat | Stop

ADAPTERS: Final[dict[Kind, TypeAdapter[Payload]]] = {
    "presence": TypeAdapter(Presence),
    "motion": TypeAdapter(Motion),
    "health": TypeAdapter(Health),
    "report": TypeAdapter(Report),
    "cue": TypeAdapter(Cue),
    "settings": TypeAdapter(Settings),
    "beat": TypeAdapter(Beat),
    "stop": TypeAdapter(Stop),
}
_DECODERS: Final = {kind: adapter.validator.validate_json for kind, adapter in ADAPTERS.items()}

_FAULTS_SHOWN_MAX: Final = 3
_TAGS: Final = ("here", "gone", "[key]")  # pydantic's own steps on the way to a key


@overload
def decode(kind: Literal["presence"], payload: bytes) -> Here | Gone: ...
@overload
def decode(kind: Literal["motion"], payload: bytes) -> Motion: ...
@overload
def decode(kind: Literal["health"], payload: bytes) -> Health: ...
@overload
def decode(kind: Literal["report"], payload: bytes) -> Report: ...
@overload
def decode(kind: Literal["cue"], payload: bytes) -> Cue: ...
@overload
def decode(kind: Literal["settings"], payload: bytes) -> Settings: ...
@overload
def decode(kind: Literal["beat"], payload: bytes) -> Beat: ...
@overload
def decode(kind: Literal["stop"], payload: bytes) -> Stop: ...
@overload
def decode(kind: Kind, payload: bytes) -> Payload: ...
def decode(kind: Kind, payload: bytes) -> Payload:
    """Turn bytes into a value. Raises BoardSpokeNonsense, which names the first faults."""
    if len(payload) > PAYLOAD_BYTES_MAX:
        raise BoardSpokeNonsense(
            kind, f"payload is {len(payload)} bytes; allowed: at most {PAYLOAD_BYTES_MAX}"
        )
    try:
        value: Payload = _DECODERS[kind](payload)
    except ValidationError as fault:
        raise BoardSpokeNonsense(kind, _why(fault)) from None
    return value


def encode(payload: Payload) -> bytes:
    """Compact JSON, keys in the model's order; what was not set is left out.

    Raises WeSpokeTooLong.
    """
    out = payload.__pydantic_serializer__.to_json(payload, exclude_unset=True, exclude_none=True)
    if len(out) > PAYLOAD_BYTES_MAX:
        raise WeSpokeTooLong(type(payload).__name__.lower(), len(out))
    return out


def _why(fault: ValidationError) -> str:
    errors = fault.errors(include_url=False)
    said = []
    for error in errors[:_FAULTS_SHOWN_MAX]:
        words = words_of(error)
        key = ".".join(
            clipped(ascii(part).strip("'\"")) for part in error["loc"] if part not in _TAGS
        )
        said.append(f"{key or 'payload'} {words.what}; allowed: {words.allowed}")
    if len(errors) > _FAULTS_SHOWN_MAX:
        said.append(f"and {len(errors) - _FAULTS_SHOWN_MAX} more")
    return " | ".join(said)
