"""Goal: a board's own file is taken whole or refused whole, with every fault named.

Method: a sound file and one spoilt place at a time.
"""

import json
import re
from copy import deepcopy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.firmware.modules import CONFIG, FIRMWARE

PROP = ("props", "gatekeeper")
GROWL = (*PROP, "behaviours", "growl")


def spoilt(path: tuple[str, ...], value: Any) -> str:
    raw = deepcopy(CONFIG)
    place = raw
    for key in path[:-1]:
        place = place.setdefault(key, {})
    place[path[-1]] = value
    return json.dumps(raw)


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        (("id",), "Gate", "id"),
        (("id",), "all", "id"),
        (("id",), "controller", "id"),
        (("host",), "", "host"),
        (("root",), 7, "root"),
        (("port",), 0, "port"),
        (("port",), True, "port"),
        (("pins",), "gpio", "pins"),
        (("spread_ms",), -1, "spread_ms"),
        (("sensors",), [], "sensors"),
        (("sensors", "PIR"), {}, "sensors.PIR"),
        (("sensors", "pir"), {"action": "kill"}, "sensors.pir.action"),
        (("sensors", "pir"), {"active": 2}, "sensors.pir.active"),
        (("battery", "floor_mv"), "6000", "battery.floor_mv"),
        (("wifi",), {"ssid": "yard"}, "wifi.password"),
        ((*PROP, "outputs", "eyes"), {}, "outputs.eyes.stop"),
        ((*PROP, "outputs", "eyes"), {"stop": "home"}, "outputs.eyes.home"),
        ((*PROP, "outputs", "eyes"), {"stop": "off", "pin": -1}, "outputs.eyes.pin"),
        ((*PROP, "outputs"), [], "outputs"),
        ((*GROWL, "duration_ms"), 0, "growl.duration_ms"),
        ((*GROWL, "steps"), [[0, "nose", 1]], "growl.steps"),
        ((*GROWL, "steps"), [[0, ["eyes"], 1]], "growl.steps"),
        ((*GROWL, "steps"), [[5, "eyes", 1], [4, "eyes", 0]], "growl.steps"),
        ((*GROWL, "steps"), [[0, "eyes", 2]], "growl.steps"),
        ((*GROWL, "steps"), [[0, "eyes", 1]] * 65, "growl.steps"),
        (("props",), {f"p-{n}": {} for n in range(9)}, "props"),
        (("sensors",), {f"s-{n}": {} for n in range(13)}, "sensors"),
    ],
)
def test_one_wrong_place_is_named(
    firmware: SimpleNamespace, path: tuple[str, ...], value: Any, named: str
) -> None:
    with pytest.raises(firmware.config.ConfigError) as refused:
        firmware.config.parse(spoilt(path, value))

    assert len(refused.value.faults) == 1
    assert named in refused.value.faults[0]


@pytest.mark.parametrize("text", ["", "[]", "7", "{"])
def test_what_is_no_object_is_refused(firmware: SimpleNamespace, text: str) -> None:
    with pytest.raises(firmware.config.ConfigError):
        firmware.config.parse(text)


def test_every_fault_is_listed(firmware: SimpleNamespace) -> None:
    with pytest.raises(firmware.config.ConfigError) as refused:
        firmware.config.parse(json.dumps({"port": 0, "pins": "x"}))

    assert [fault.split(":")[0] for fault in refused.value.faults] == [
        "id", "host", "root", "port", "pins"
    ]  # fmt: skip


def test_what_signing_up_a_board_prints_is_enough(firmware: SimpleNamespace) -> None:
    printed = {"host": "h", "port": 1884, "username": "gate", "password": "p", "root": "haunt/y/"}

    config = firmware.config.parse(json.dumps(printed))

    assert (config.id, config.username, config.root) == ("gate", "gate", "haunt/y")


def test_a_password_is_never_sent_without_a_name(firmware: SimpleNamespace) -> None:
    raw = {"id": "gate", "host": "h", "password": "p", "root": "haunt/y"}

    assert firmware.config.parse(json.dumps(raw)).username == "gate"


def test_a_file_is_read(firmware: SimpleNamespace, tmp_path: Path) -> None:
    path = tmp_path / "config.json"
    path.write_text(json.dumps(CONFIG), encoding="utf-8")

    assert firmware.config.load(str(path)).id == "gate"


OUTPUT = (*PROP, "outputs", "eyes")
LIGHT = {"kind": "dimmer", "stop": "off"}
SERVO = {"kind": "servo", "stop": "hold"}
MOTOR = {"kind": "motor", "stop": "off", "run_ms_max": 500}
VOICE = {"kind": "sound", "stop": "off", "hook": "v"}


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        (("watchdog_ms",), -1, "watchdog_ms"),
        (("flash_hz_max",), 5, "flash_hz_max: allowed is 1 to 4"),
        (("flash_hz_max",), 0, "flash_hz_max"),
        (("sleep",), "deep", "sleep: allowed is none, modem, light"),
        (("sleep",), "light", "stop-button"),
        (("battery", "divider"), [10, 0], "battery.divider"),
        (("battery", "calibration"), [[1, 2], [1, 3]], "battery.calibration"),
        (("battery", "cells"), 0, "battery.cells"),
        (("sensors", "pir"), {"pull": "left"}, "sensors.pir.pull"),
        (("sensors", "pir"), {"props": ["nobody"]}, "sensors.pir.props"),
        (OUTPUT, {"kind": "laser", "stop": "off"}, "eyes.kind: allowed is pin, relay"),
        (OUTPUT, {"stop": "off", "load": "cat"}, "eyes.load: allowed is light"),
        (OUTPUT, {"stop": "off", "active": 2}, "eyes.active"),
        (OUTPUT, {"kind": "motor", "stop": "hold"}, "eyes.stop: allowed is off"),
        (OUTPUT, {"kind": "servo", "stop": "off"}, "eyes.stop: allowed is hold, home"),
        (OUTPUT, {"kind": "servo", "stop": "home", "home": 1001}, "eyes.home: allowed is 0 to"),
        (OUTPUT, {**SERVO, "left_us": 0}, "eyes.left_us"),
        (OUTPUT, {"kind": "pixels", "stop": "off", "count": 999}, "eyes.count"),
        (OUTPUT, {"kind": "pixels", "stop": "off", "colour": [1, 2]}, "eyes.colour"),
        (OUTPUT, {**LIGHT, "freq_hz": 1}, "eyes.freq_hz"),
        (OUTPUT, {"kind": "relay", "stop": "off", "min_off_ms": -1}, "eyes.min_off_ms"),
        (OUTPUT, {**MOTOR, "pins": [1]}, "eyes.pins: allowed is two pins"),
        (OUTPUT, {**MOTOR, "sense_pin": 4}, "eyes.stall_mv"),
        (OUTPUT, {"kind": "sound", "stop": "off"}, "eyes.i2s"),
        (OUTPUT, {"kind": "sound", "stop": "off", "i2s": 4}, "eyes.i2s: allowed are the pins"),
        (("props", "Ghost"), {}, "props.Ghost"),
        ((*PROP, "outputs", "Eyes"), {"stop": "off"}, "outputs.Eyes"),
        ((*PROP, "behaviours"), {f"b-{n}": {} for n in range(17)}, "behaviours: at most 16"),
        ((*PROP, "behaviours", "Growl"), {"duration_ms": 1}, "behaviours.Growl"),
        ((*GROWL, "tracks"), {}, "growl.tracks: at most 16"),
        ((*GROWL, "steps"), [[0, "eyes"]], "growl.steps"),
        (OUTPUT, {"kind": "sound", "stop": "off", "i2s": {"sck": 1, "ws": 2}}, "eyes.i2s.sd"),
    ],
)
def test_a_wrong_part_is_named(
    firmware: SimpleNamespace, path: tuple[str, ...], value: Any, named: str
) -> None:
    with pytest.raises(firmware.config.ConfigError) as refused:
        firmware.config.parse(spoilt(path, value))

    (fault,) = refused.value.faults
    assert named in fault


def with_track(output: dict[str, Any], track: Any) -> str:
    raw = deepcopy(CONFIG)
    raw["props"]["gatekeeper"] = {
        "outputs": {"it": output},
        "behaviours": {"growl": {"duration_ms": 1000, "tracks": [track]}},
    }
    return json.dumps(raw)


@pytest.mark.parametrize(
    ("output", "track", "named"),
    [
        (LIGHT, "glow", "tracks[0].output"),
        (LIGHT, {"output": "nose", "do": "steady"}, "tracks[0].output: allowed is one of it"),
        (LIGHT, {"output": "it", "do": "sweep"}, "for a dimmer is blink, flicker, steady"),
        (LIGHT, {"output": "it", "do": "steady"}, "tracks[0].level: allowed is 0 to 1000"),
        (LIGHT, {"output": "it", "do": "steady", "level": 1001}, "tracks[0].level"),
        (LIGHT, {"output": "it", "do": "steady", "level": 1, "to_ms": 2000}, "tracks[0].to_ms"),
        (LIGHT, {"output": "it", "do": "flicker", "low": 9, "high": 8}, "tracks[0].low"),
        (
            LIGHT,
            {"output": "it", "do": "flicker", "low": 1, "high": 8, "every_ms": [5, 9]},
            "tracks[0].every_ms",
        ),
        (
            LIGHT,
            {"output": "it", "do": "blink", "level": 8, "on_ms": [90, 50], "off_ms": [10, 10]},
            "tracks[0].on_ms: allowed is [least, most]",
        ),
        (
            SERVO,
            {"output": "it", "do": "sweep", "left": 0, "right": 9, "sweep_ms": 1},
            "tracks[0].sweep_ms",
        ),
        (MOTOR, {"output": "it", "do": "run", "level": 900}, "run of 500 ms"),
        (MOTOR, {"output": "it", "do": "run", "level": -1001, "to_ms": 9}, "-1000 to 1000"),
        (VOICE, {"output": "it", "do": "play"}, "tracks[0].file"),
        (VOICE, {"output": "it", "do": "play", "file": "../main.py"}, "tracks[0].file"),
        (VOICE, {"output": "it", "do": "speak", "line": ""}, "tracks[0].line"),
    ],
)
def test_a_wrong_track_is_named(
    firmware: SimpleNamespace, output: dict[str, Any], track: Any, named: str
) -> None:
    with pytest.raises(firmware.config.ConfigError) as refused:
        firmware.config.parse(with_track(output, track))

    (fault,) = refused.value.faults
    assert named in fault


def test_one_output_does_not_follow_two_tracks_at_once(firmware: SimpleNamespace) -> None:
    raw = json.loads(with_track(LIGHT, {"output": "it", "do": "steady", "level": 9}))
    growl = raw["props"]["gatekeeper"]["behaviours"]["growl"]
    first, second = (
        {"output": "it", "do": "steady", "level": 9, "to_ms": 500},
        {"output": "it", "do": "steady", "level": 5, "from_ms": 500},
    )
    growl["tracks"] = [second, first]
    firmware.config.parse(json.dumps(raw))

    first["to_ms"] = 501
    with pytest.raises(firmware.config.ConfigError, match="it has two at once"):
        firmware.config.parse(json.dumps(raw))
    growl.update(tracks=[first], steps=[[0, "it", 1]])
    with pytest.raises(firmware.config.ConfigError, match="it has two at once"):
        firmware.config.parse(json.dumps(raw))


def test_on_real_pins_each_pin_is_told_and_taken_once(firmware: SimpleNamespace) -> None:
    raw = {
        "id": "gate", "host": "h", "root": "haunt/y",
        "sensors": {"pir": {}},
        "battery": {"pin": 7},
        "props": {
            "ghost": {
                "outputs": {
                    "head": {"kind": "motor", "stop": "off", "pins": [5, 6]},
                    "eyes": {"stop": "off", "pin": 6},
                    "voice": VOICE,
                }
            }
        },
    }  # fmt: skip

    with pytest.raises(firmware.config.ConfigError) as refused:
        firmware.config.parse(json.dumps(raw))

    assert refused.value.faults == [
        "battery.divider: allowed with a pin is a divider or full_scale_mv",
        "sensors.pir.pin: allowed is 0 to 255; none is told",
        "props.ghost.outputs.eyes.pin: 6 is taken by props.ghost.outputs.head",
    ]
    raw["pins"] = "script"
    firmware.config.parse(json.dumps(raw))


def test_real_pins_have_a_watchdog_unless_the_file_says_none(firmware: SimpleNamespace) -> None:
    raw = {"id": "gate", "host": "h", "root": "haunt/y"}
    parse = firmware.config.parse

    assert parse(json.dumps(raw)).watchdog_ms == 8000
    assert parse(json.dumps({**raw, "watchdog_ms": 0})).watchdog_ms == 0
    assert parse(json.dumps({**raw, "pins": "script"})).watchdog_ms == 0


def test_every_key_that_is_read_is_written_of(firmware: SimpleNamespace) -> None:
    said = firmware.config.__doc__
    told = re.compile(r'(?:\.get\(|raw\[|faults, \w+, |output\[|in output|track\[)"(\w+)"')
    read: set[str] = set()
    for name in ("config", "parts", "pack", "kinds", "shapes", "limits", "drivers"):
        read |= set(told.findall((FIRMWARE / f"{name}.py").read_text("utf-8")))

    assert len(read) > 30
    assert {key for key in read if not re.search(rf"\b{key}\b", said)} == set()


def test_the_manuals_board_with_one_of_everything_is_taken(firmware: SimpleNamespace) -> None:
    chapter = (FIRMWARE.parent / "web" / "manual" / "bench.html").read_text("utf-8")
    examples = re.findall(r"<pre>(.*?)</pre>", chapter, re.DOTALL)
    (example,) = [each for each in examples if "battery" in each]

    config = firmware.config.parse(example)

    outputs = [each for prop in config.props.values() for each in prop["outputs"].values()]
    assert {firmware.kinds.kind_of(each) for each in outputs} == set(firmware.kinds.KINDS)
