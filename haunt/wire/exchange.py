"""One whole exchange between a board, its broker and the controller, packet by packet, as bytes.

For people who write their own firmware: made of the payload models and of MQTT's own packets, so
that it cannot show anything that the decoder would not take.
"""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from haunt.wire import packets
from haunt.wire.packets import Message, SignIn, Will
from haunt.wire.payloads import (
    Beat,
    Cue,
    Gone,
    Health,
    Here,
    Motion,
    Payload,
    Report,
    Settings,
    Stop,
    encode,
)
from haunt.wire.topics import QOS, RETAINED, UP_KINDS, Kind, Topics

By = Literal["board", "broker", "controller"]

BOOT: Final = "7f3a91c2d405"
CLOCK: Final = "a1b2c3d4"
UP_MS: Final = 1200
NOW_MS: Final = 81_234_560
WALL_MS: Final = 1_793_552_400_000
EPOCH: Final = 3
TTL_MS: Final = 1500
MAX_MS: Final = 6500
PASSWORD: Final = "the-password-of-this-board"  # noqa: S105 - shown in place of one
BYTES_A_LINE: Final = 8


class Step(NamedTuple):
    """One packet. `why` says what it is for and what depends on it."""

    by: By
    name: str
    why: str
    raw: bytes
    topic: str = ""
    payload: bytes = b""
    flags: str = ""

    @property
    def dump(self) -> str:
        """Eight bytes a line, so that it fits a phone: offset, digits, letters."""
        return "\n".join(
            _line(at, self.raw[at : at + BYTES_A_LINE])
            for at in range(0, len(self.raw), BYTES_A_LINE)
        )


@dataclass(frozen=True, slots=True)
class Cast:
    """Whose exchange it is; ids only."""

    show: str
    board: str = "gate"
    sensor: str = "gate-pir"
    prop: str = "gatekeeper"
    behaviour: str = "growl"

    @property
    def cue(self) -> str:
        """Named by the first motion of the boot."""
        return f"{self.board}-{BOOT}-1-{self.prop}"


def exchange(cast: Cast) -> list[Step]:
    """The evening of one board in short: it comes, beats, sees, plays, is stopped."""
    return [*_sign_in(cast), *_arrival(cast), *_show_time(cast), *_stop(cast), *_pings()]


def _sign_in(cast: Cast) -> list[Step]:
    topics = Topics(cast.show)
    presence = topics.presence(cast.board)
    will = Will(presence, encode(Gone(state="gone", boot=BOOT, conn=1)), 1, retain=True)
    sign_in = SignIn(cast.board, cast.board, clean_session=True, keepalive_s=10, will=will)
    wanted = sorted(topics.board_subscriptions(cast.board), key=lambda each: each.topic)
    return [
        Step(
            "board",
            "CONNECT",
            "Its own id as client id and user name, a clean session, keepalive 10 s, and the last "
            "will. `boot` is twelve random digits drawn at every start, `conn` counts from 1.",
            packets.connect(sign_in, PASSWORD),
            presence,
            will.payload,
            "last will: QoS 1, retained",
        ),
        Step(
            "broker",
            "CONNACK",
            "The last byte is 0. 5 says that name or password is wrong.",
            packets.packet(packets.CONNACK, 0, b"\0\0"),
        ),
        Step(
            "board",
            "SUBSCRIBE",
            "Its orders, and what is said to all. Only after its answer is the board here.",
            packets.subscribe(1, wanted),
            ", ".join(topic for topic, _qos in wanted),
        ),
        Step(
            "broker",
            "SUBACK",
            "One byte a topic: 0 or 1 is granted, 128 is refused.",
            packets.packet(packets.SUBACK, 0, b"\0\1" + bytes(qos for _topic, qos in wanted)),
        ),
    ]


def _arrival(cast: Cast) -> list[Step]:
    here = Here(state="here", boot=BOOT, conn=1, fw="mine 1", up_ms=UP_MS, reset="power-on")
    return [
        _kept(
            cast,
            "stop",
            Stop(stopped=False, epoch=EPOCH, at_ms=NOW_MS),
            "What is retained comes by itself, also before the SUBACK: the show is not stopped. "
            "Answer QoS 1 with a PUBACK of the same packet id, or it comes again.",
            1,
        ),
        _puback("board", 1),
        _kept(
            cast,
            "settings",
            Settings(version=3, mode="still"),
            "What the board does without a beat: be still.",
            2,
        ),
        _said(cast, "presence", here, "It is here; people see it on their phones from now on.", 2),
        _puback("broker", 2),
        _said(
            cast, "health", _health(cast, is_after=False), "At once, and every 5 s from then on."
        ),
    ]


def _show_time(cast: Cast) -> list[Step]:
    beat = Beat(clock=CLOCK, now_ms=NOW_MS, wall_ms=WALL_MS, epoch=EPOCH)
    motion = Motion(
        sensor=cast.sensor, boot=BOOT, seq=1, age_ms=0, clock=CLOCK, at_ms=NOW_MS + 1500
    )
    cue = Cue(
        cue=cast.cue,
        epoch=EPOCH,
        prop=cast.prop,
        behaviour=cast.behaviour,
        max_ms=MAX_MS,
        ttl_ms=TTL_MS,
        sent_ms=NOW_MS + 1502,
    )
    started = Report(cue=cast.cue, boot=BOOT, state="started")
    return [
        _said(
            cast,
            "beat",
            beat,
            "Every 2 s. Keep the largest `now_ms` less your own milliseconds of the last 60: that "
            "is the controller's time. 6 s without one, and the board is still.",
        ),
        _said(
            cast,
            "motion",
            motion,
            "Somebody is there. `seq` counts the motions of this boot from 1; `age_ms` is how "
            "long it waited on the board; `clock` and `at_ms` date it by the beat.",
            3,
        ),
        _said(
            cast,
            "cue",
            cue,
            "The order to play. Refuse it, and say why: retained, repeat, old-epoch, no-beat, "
            "late. End by yourself at `max_ms`, whatever happens.",
            3,
        ),
        _said(cast, "report", started, "Within a second and a half, or people see no answer.", 4),
    ]


def _stop(cast: Cast) -> list[Step]:
    return [
        _said(
            cast,
            "stop",
            Stop(stopped=True, epoch=EPOCH + 1, at_ms=NOW_MS + 3000),
            "Somebody pressed Stop show: sound off, no new movement, each output to its stop "
            "state. It stays so until a release of this epoch or a newer one.",
            4,
        ),
        _said(
            cast,
            "report",
            Report(cue=cast.cue, boot=BOOT, state="aborted"),
            "What played did not come to its end.",
            5,
        ),
        _said(
            cast,
            "health",
            _health(cast, is_after=True),
            "At once, as always when epoch or stopped change: who does not tell within a second "
            "is named, and somebody goes there to switch it off by hand.",
        ),
    ]


def _pings() -> list[Step]:
    return [
        Step(
            "board",
            "PINGREQ",
            "When nothing else was said for 5 s.",
            packets.packet(packets.PINGREQ, 0),
        ),
        Step(
            "broker",
            "PINGRESP",
            "None within 5 s: connect anew.",
            packets.packet(packets.PINGRESP, 0),
        ),
    ]


def _health(cast: Cast, *, is_after: bool) -> Health:
    """Its first word, or the one after it has played and was stopped."""
    count = int(is_after)
    return Health(
        boot=BOOT,
        up_ms=UP_MS + 4510 if is_after else UP_MS + 5,
        battery_mv=7410,
        rssi=-61,
        starts={cast.prop: count},
        motions={cast.sensor: count},
        active={cast.sensor: 900 * count},
        epoch=EPOCH + 1 if is_after else EPOCH,
        stopped=is_after,
        reset="power-on",
    )


def _kept(cast: Cast, kind: Kind, payload: Payload, why: str, packet_id: int) -> Step:
    """What the broker kept for whoever subscribes: it alone comes with the retain flag."""
    return _publish(cast, kind, payload, why, packet_id, retain=True)


def _said(cast: Cast, kind: Kind, payload: Payload, why: str, packet_id: int = 0) -> Step:
    is_to_be_kept = kind in RETAINED and kind in UP_KINDS
    return _publish(cast, kind, payload, why, packet_id, retain=is_to_be_kept)


def _publish(
    cast: Cast, kind: Kind, payload: Payload, why: str, packet_id: int, *, retain: bool
) -> Step:
    topic, by = _place(Topics(cast.show), cast.board, kind)
    message = Message(topic, encode(payload), QOS[kind], retain, packet_id)
    flags = f"QoS {QOS[kind]}, {'' if retain else 'not '}retained"
    return Step(by, f"PUBLISH {kind}", why, packets.publish(message), topic, message.payload, flags)


def _place(topics: Topics, board: str, kind: Kind) -> tuple[str, By]:
    match kind:
        case "beat":
            return topics.beat, "controller"
        case "stop":
            return topics.stop, "controller"
        case "cue" | "settings":
            return topics.of(board, kind), "controller"
        case _:
            return topics.of(board, kind), "board"


def _puback(by: By, packet_id: int) -> Step:
    return Step(
        by,
        "PUBACK",
        "The answer to a packet of QoS 1, with its packet id. Those that follow are left out.",
        packets.packet(packets.PUBACK, 0, packet_id.to_bytes(2, "big")),
    )


def _line(at: int, raw: bytes) -> str:
    digits = " ".join(f"{byte:02x}" for byte in raw)
    letters = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in raw)
    return f"{at:03x} {digits:<{3 * BYTES_A_LINE - 1}} {letters}"
