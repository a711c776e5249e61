"""Goal: every kind of output starts at rest and shows on its pins what a level means, no more.

Method: the drivers over a machine that logs each level of each pin; expected duties are worked out
by hand in the tests.
"""

import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.firmware.modules import FIRMWARE, NAMES
from tests.firmware.pinlog import FULL, Bench

pytestmark = pytest.mark.usefixtures("lent")
LATE = (*NAMES, "drivers", "sound", "myvoice")


@pytest.fixture
def lent(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The board's own import path, for what is imported only where there is a machine."""
    assert bench.log == []
    hidden = {name: sys.modules.pop(name) for name in LATE if name in sys.modules}
    monkeypatch.syspath_prepend(str(FIRMWARE))
    yield
    for name in LATE:
        sys.modules.pop(name, None)
    sys.modules.update(hidden)


class Rig:
    def __init__(self, firmware: SimpleNamespace, bench: Bench, **outputs: Any) -> None:
        self.bench = bench
        sensors = outputs.pop("sensors", {})
        battery = outputs.pop("battery", {})
        config = SimpleNamespace(
            props={"ghost": {"outputs": outputs}}, sensors=sensors, battery=battery
        )
        self.pins = firmware.pins.MachinePins(config)

    def write(self, output: str, level: Any) -> dict[int, int]:
        self.pins.write(0, "ghost", output, level)
        return dict(self.bench.levels)


def test_a_switch_starts_at_rest_and_may_be_on_when_low(
    firmware: SimpleNamespace, bench: Bench
) -> None:
    rig = Rig(
        firmware,
        bench,
        eyes={"pin": 1, "stop": "off"},
        light={"pin": 2, "stop": "on"},
        fan={"kind": "relay", "pin": 3, "stop": "off", "active": 0},
        lid={"pin": 4, "stop": "home", "home": 1},
    )

    assert bench.log == [(0, 1, 0), (0, 2, FULL), (0, 3, FULL), (0, 4, FULL)]
    assert rig.write("eyes", 1)[1] == FULL
    assert rig.write("fan", 1)[3] == 0


def test_a_dimmer_shows_thousandths_and_may_be_bright_when_low(
    firmware: SimpleNamespace, bench: Bench
) -> None:
    rig = Rig(
        firmware,
        bench,
        eyes={"kind": "dimmer", "pin": 1, "stop": "off"},
        lamp={"kind": "dimmer", "pin": 2, "stop": "off", "active": 0},
    )

    assert {level for _, pin, level in bench.log if pin == 1} == {0}
    assert {level for _, pin, level in bench.log if pin == 2} == {FULL}
    assert rig.write("eyes", 500)[1] == 32767
    assert rig.write("lamp", 1000)[2] == 0


def test_a_servo_gets_no_pulse_until_it_is_told_a_place(
    firmware: SimpleNamespace, bench: Bench
) -> None:
    rig = Rig(
        firmware,
        bench,
        arm={
            "kind": "servo", "pin": 5, "stop": "home", "home": 500,
            "left_us": 600, "right_us": 2400,
        },
    )  # fmt: skip

    assert {level for _, _, level in bench.log} == {0}
    assert rig.write("arm", 0)[5] == 600 * FULL // 20_000
    assert rig.write("arm", 500)[5] == 1500 * FULL // 20_000
    assert rig.write("arm", None)[5] == 0


def test_a_bridge_is_never_high_on_both_sides(firmware: SimpleNamespace, bench: Bench) -> None:
    rig = Rig(firmware, bench, head={"kind": "motor", "pins": [6, 7], "stop": "off"})
    levels: dict[int, int] = {}

    for level in (1000, -1000, 1000, 0, -500, 0):
        rig.write("head", level)
    for _, pin, shown in bench.log:
        levels[pin] = shown
        assert 0 in (levels.get(6, 0), levels.get(7, 0))

    assert [shown for _, pin, shown in bench.log if pin == 7 and shown] == [FULL, 32767]
    assert levels == {6: 0, 7: 0}


def test_addressable_lights_are_sent_a_dark_frame_first(
    firmware: SimpleNamespace, bench: Bench
) -> None:
    strip = {"kind": "pixels", "pin": 8, "count": 30, "stop": "off", "colour": [255, 80, 0]}
    rig = Rig(firmware, bench, glow=strip)

    assert bench.log == [(0, 8, 0), (0, 8, 0)]  # the pin low, then the frame
    assert rig.write("glow", 1000)[8] == FULL
    assert rig.write("glow", 0)[8] == 0


def test_a_motor_that_draws_its_stall_current_is_told_of_once(
    firmware: SimpleNamespace, bench: Bench
) -> None:
    head = {
        "kind": "motor", "pins": [6, 7], "stop": "off",
        "sense_pin": 9, "stall_mv": 1000, "stall_ms": 200,
    }  # fmt: skip
    rig = Rig(firmware, bench, head=head)
    bench.volts[9] = 1100 * FULL // 3300
    assert rig.pins.events(0) == []  # not while it is off

    rig.write("head", 800)
    told = [ms for ms in range(1000, 1400, 10) if ("stalled", "ghost", "head") in _events(rig, ms)]
    assert told == [1200]

    bench.volts[9] = 900 * FULL // 3300
    assert not any(_events(rig, ms) for ms in range(2000, 3000, 10))


def test_a_sensor_is_told_of_once_two_looks_agree(firmware: SimpleNamespace, bench: Bench) -> None:
    rig = Rig(firmware, bench, sensors={"pir": {"pin": 3}, "mat": {"pin": 4, "active": 0}})
    bench.inputs[4] = 1
    rig.pins.events(1)
    assert rig.pins.events(2) == []

    bench.inputs.update({3: 1, 4: 0})
    assert rig.pins.events(3) == []
    assert rig.pins.events(4) == [("sensor", "pir", True), ("sensor", "mat", True)]
    assert rig.pins.events(5) == []

    for ms in range(10):  # spikes are no visitors
        bench.inputs[3] = ms % 2
        assert rig.pins.events(ms) == []


@pytest.mark.parametrize(
    ("battery", "volts", "mv"),
    [
        ({"full_scale_mv": 10_000}, 0.5, 5000),
        ({"divider": [30_000, 10_000]}, 0.5, 6600),
        ({"divider": [30_000, 10_000], "calibration": [[6000, 6300]]}, 0.5, 6930),
        # A line through both pairs: 6600 is a fifth of the way.
        ({"divider": [30_000, 10_000], "calibration": [[6400, 6500], [7400, 7600]]}, 0.5, 6720),
    ],
)
def test_the_pack_is_read_once_a_second_as_a_meter_would(
    firmware: SimpleNamespace, bench: Bench, battery: Any, volts: float, mv: int
) -> None:
    rig = Rig(firmware, bench, battery={"pin": 5, **battery})
    bench.volts[5] = round(volts * FULL)

    found = {ms: events for ms in range(0, 2500, 10) if (events := rig.pins.events(ms))}

    assert list(found) == [0, 1000, 2000]
    assert found[0][0][0] == "battery"
    assert abs(found[0][0][1] - mv) <= 1  # rounding of a 16-bit half


def wav(samples: bytes, rate: int = 16_000, bits: int = 16, extra: bytes = b"") -> bytes:
    form = struct.pack("<HHIIHH", 1, 1, rate, rate * bits // 8, bits // 8, bits)
    chunks = b"fmt " + struct.pack("<I", 16) + form + extra
    chunks += b"data" + struct.pack("<I", len(samples)) + samples
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def test_a_port_that_measures_in_microvolts_is_believed_in_them(
    firmware: SimpleNamespace, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = iter((1_900_000, 1_500_000, 1_510_000))  # the middle one counts
    monkeypatch.setattr(
        sys.modules["machine"].ADC, "read_uv", lambda _adc: next(looks), raising=False
    )
    rig = Rig(firmware, bench, battery={"pin": 5, "divider": [30_000, 10_000]})

    assert rig.pins.events(0) == [("battery", 6040)]
    rig.pins.close()


def test_a_file_is_played_piece_by_piece_and_closed_at_its_end(
    firmware: SimpleNamespace, bench: Bench, tmp_path: Path
) -> None:
    samples = bytes(range(256)) * 20
    path = tmp_path / "growl.wav"
    note = b"LIST" + struct.pack("<I", 5) + b"ghost\0"  # an odd chunk and its filling byte
    path.write_bytes(wav(samples, extra=note) + b"trailing")
    rig = Rig(firmware, bench, voice=VOICE)

    rig.write("voice", f"file:{path}")
    for ms in range(10):
        rig.pins.events(ms)
        rig.pins.events(ms)  # the piece before is not through yet
        assert len(bench.played) <= ms + 1
        if bench.sounds[0].is_open:
            bench.sounds[0].callback(bench.sounds[0])

    assert b"".join(bench.played) == samples
    assert bench.sounds[0].how["rate"] == 16_000
    assert not bench.sounds[0].is_open


VOICE = {"kind": "sound", "stop": "off", "i2s": {"sck": 20, "ws": 21, "sd": 22}}


def test_silence_ends_a_file_at_once(
    firmware: SimpleNamespace, bench: Bench, tmp_path: Path
) -> None:
    path = tmp_path / "growl.wav"
    path.write_bytes(wav(b"\1" * 9000))
    rig = Rig(firmware, bench, voice=VOICE)
    rig.write("voice", f"file:{path}")
    rig.pins.events(0)

    rig.write("voice", 0)
    bench.sounds[0].callback(None)  # the port's last word may come late
    rig.pins.events(1)

    assert not bench.sounds[0].is_open
    assert len(bench.played) == 1


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"RIFF0000WAVE",
        b"RIFF0000WAVEdata\4\0\0\0abcd",
        b"nonsense" * 9,
        wav(b"ab", bits=8),
        wav(b"a", rate=96_000),
    ],
)
def test_a_file_that_cannot_be_played_is_silence_and_no_fault_of_the_board(
    firmware: SimpleNamespace,
    bench: Bench,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    content: bytes,
) -> None:
    path = tmp_path / "odd.wav"
    path.write_bytes(content)
    rig = Rig(firmware, bench, voice=VOICE)

    rig.write("voice", f"file:{path}")
    rig.write("voice", f"file:{tmp_path / 'missing.wav'}")
    rig.pins.events(0)

    assert (bench.sounds, bench.played) == ([], [])
    assert capsys.readouterr().out.count("no sound:") == 2


HOOK = """
log = []
def play(name): log.append(("play", name))
def say(text):
    log.append(("say", text))
    if text == "boom": raise ValueError(text)
def stop():
    log.append(("stop",))
    if ("play", "a.wav") in log: raise ValueError("stuck")
def poll(ms):
    log.append(("poll", ms))
    if ("play", "a.wav") in log: raise ValueError("lost")
"""


def test_a_line_is_spoken_by_the_makers_own_module(
    firmware: SimpleNamespace,
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / "myvoice.py").write_text(HOOK, encoding="ascii")
    monkeypatch.syspath_prepend(str(tmp_path))
    rig = Rig(firmware, bench, voice={"kind": "sound", "stop": "off", "hook": "myvoice"})

    for level in ("line:Who goes there", 0, "line:boom", "file:a.wav", 0):
        rig.write("voice", level)
        rig.pins.events(7)

    assert sys.modules["myvoice"].log == [
        ("say", "Who goes there"), ("poll", 7), ("stop",),
        ("say", "boom"), ("stop",),
        ("play", "a.wav"), ("poll", 7), ("stop",),
    ]  # fmt: skip


def test_a_voice_module_that_is_missing_leaves_the_board_silent_and_working(
    firmware: SimpleNamespace, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Rig(firmware, bench, voice={"kind": "sound", "stop": "off", "hook": "myvoice"})

    rig.write("voice", "line:Boo")
    rig.write("voice", 0)

    said = capsys.readouterr().out
    assert "no voice: " in said
    assert "no voice for line:Boo" in said


def test_the_pins_that_boot_made_are_the_ones_that_run(
    firmware: SimpleNamespace, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(firmware.pins, "_made", [])
    config = SimpleNamespace(
        props={"ghost": {"outputs": {"eyes": {"pin": 1, "stop": "off"}}}}, sensors={}, battery={}
    )

    first = firmware.pins.machine_pins(config)

    assert firmware.pins.machine_pins(config) is first
    assert len(bench.log) == 1


def _events(rig: Rig, ms: int) -> list[Any]:
    found: list[Any] = rig.pins.events(ms)
    return found
