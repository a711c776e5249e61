"""Goal: a board's own file is taken whole or refused whole, with every fault named.

Method: a sound file and one spoilt place at a time.
"""

import json
from copy import deepcopy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.firmware.modules import CONFIG

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
