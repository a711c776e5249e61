"""Goal: a board that keeps to the contract passes every check, and each fault fails its own one.

Method: the firmware's own brain on a virtual clock behind a virtual broker, whole, and spoilt in
one way at a time.
"""

import json
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from haunt.study.conformance.bench import Bench, Subject
from haunt.study.conformance.script import CHECKS, examine
from haunt.study.conformance.verdicts import Finding, Verdict, summary
from tests.fakes.spoiltboards import FAULTS, spoilt
from tests.fakes.testwire import VirtualWire
from tests.firmware.modules import load

CONFIG: dict[str, Any] = {
    "id": "gate",
    "host": "127.0.0.1",
    "root": "haunt/yard",
    "pins": "script",
    "sensors": {"gate-pir": {}},
    "props": {
        "gatekeeper": {
            "behaviours": {"growl": {"duration_ms": 300}, "moan": {"duration_ms": 20_000}}
        }
    },
}
SUBJECT = Subject(
    "yard", "gate", "gatekeeper", "growl", 300, long="moan", long_ms=20_000, version=3, epoch=4
)


@pytest.fixture(scope="module")
def firmware() -> SimpleNamespace:
    return SimpleNamespace(**load())


def examined(wire: VirtualWire, subject: Subject = SUBJECT) -> dict[str, Finding]:
    said: list[Finding] = []
    bench = Bench(wire, subject, "a1")
    found = examine(bench, said.append)
    assert said == found
    assert [each.check for each in found] == [check.name for check in CHECKS]
    assert bench.epoch > subject.epoch
    return {each.check: each for each in found}


def bad_ones(found: dict[str, Finding]) -> list[str]:
    return [each.check for each in found.values() if each.verdict is Verdict.BAD]


def test_the_firmware_that_comes_along_passes_every_check(firmware: SimpleNamespace) -> None:
    wire = VirtualWire(firmware, CONFIG)
    wire.events = {2000: ("sensor", "gate-pir", True), 2500: ("sensor", "gate-pir", False)}

    found = examined(wire)

    assert {each.verdict for each in found.values()} == {Verdict.GOOD}, found


BREAKS = {
    "plays-late": ["late"],
    "plays-retained": ["retained"],
    "plays-old-epoch": ["old-epoch"],
    "plays-without-beat": ["no-beat", "beat-loss"],
    "plays-repeats": ["repeat"],
    "ignores-stop": ["stop"],
    "releases-always": ["old-release"],
    "plays-on-without-beat": ["beat-loss"],
    "never-ends": ["max-ms"],
    "hides-its-epoch": ["old-epoch"],
    "reads-half": ["oversize"],
    "guesses": ["mistyped"],
    "strict": ["later-keys", "counts-bad"],
    "health-of-news": ["health"],
    "one-connection": ["conn"],
    "counts-twice": ["starts"],
    "counts-none-bad": ["counts-bad"],
    "says-stopped": ["stop", "release"],
    "skips-seq": ["motions"],
    "dates-wrong": ["motions"],
    "up-time-back": ["boot"],
    "words-for-numbers": ["payloads"],
    "reports-once-at-most": ["flags"],
    "keeps-its-health": ["flags"],
    "presence-unkept": ["flags"],
}


def test_every_fault_there_is_is_tried() -> None:
    assert set(BREAKS) == set(FAULTS)


@pytest.mark.parametrize("fault", BREAKS)
def test_a_fault_fails_the_check_that_it_breaks(firmware: SimpleNamespace, fault: str) -> None:
    wire = VirtualWire(firmware, CONFIG, spoilt(fault, firmware.brain.Brain))
    wire.events = {
        at_ms: ("sensor", "gate-pir", at_ms % 1000 == 0) for at_ms in range(2000, 5000, 500)
    }

    assert bad_ones(examined(wire)) == BREAKS[fault]


@pytest.mark.parametrize(
    ("line", "check"),
    [
        ({"has_will": False}, "will"),
        ({"clean_session": False}, "sign-in"),
        ({"keepalive_s": 60}, "sign-in"),
        ({"keepalive_s": 0}, "sign-in"),
    ],
)
def test_a_wrong_sign_in_fails_its_check(
    firmware: SimpleNamespace, line: dict[str, Any], check: str
) -> None:
    found = examined(VirtualWire(firmware, CONFIG, **line))

    assert bad_ones(found) == [check]


def test_a_board_that_never_comes_fails_presence_and_nothing_else_is_tried(
    firmware: SimpleNamespace,
) -> None:
    wire = VirtualWire(firmware, CONFIG, spoilt("silent", firmware.brain.Brain))

    found = examined(wire, replace(SUBJECT, board="cellar"))

    assert bad_ones(found) == ["presence"]
    assert [each.verdict for each in found.values()].count(Verdict.UNTRIED) == len(CHECKS) - 1


def test_at_a_broker_of_others_what_cannot_be_seen_is_not_tried(firmware: SimpleNamespace) -> None:
    found = examined(VirtualWire(firmware, CONFIG, sees_line=False))

    untried = [each.check for each in found.values() if each.verdict is Verdict.UNTRIED]
    assert untried == ["sign-in", "will", "conn", "retained", "no-beat", "motions", "flags"]
    assert bad_ones(found) == []


def test_a_board_without_a_long_behaviour_is_tried_by_cues_alone(firmware: SimpleNamespace) -> None:
    config = json.loads(json.dumps(CONFIG))
    del config["props"]["gatekeeper"]["behaviours"]["moan"]
    subject = replace(SUBJECT, long="", long_ms=0)

    assert bad_ones(examined(VirtualWire(firmware, config), subject)) == []
    deaf = VirtualWire(firmware, config, spoilt("plays-on-without-beat", firmware.brain.Brain))
    # Its cues are refused all the same, so by cues alone the fault is not to be seen.
    assert bad_ones(examined(deaf, subject)) == []


def test_a_board_is_left_as_its_show_was(firmware: SimpleNamespace) -> None:
    for stopped in (False, True):
        wire = VirtualWire(firmware, CONFIG)
        examined(wire, replace(SUBJECT, stopped=stopped))
        assert json.loads(wire.kept["haunt/yard/all/stop"])["stopped"] is stopped


def test_whoever_breaks_off_leaves_the_board_stopped(firmware: SimpleNamespace) -> None:
    wire = VirtualWire(firmware, CONFIG)

    def broken_off(_found: Finding) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        examine(Bench(wire, SUBJECT, "a1"), broken_off)

    assert json.loads(wire.kept["haunt/yard/all/stop"])["stopped"] is True
    assert wire.is_stopped


def test_no_cue_is_left_with_the_broker(firmware: SimpleNamespace) -> None:
    wire = VirtualWire(firmware, CONFIG)

    examined(wire)

    assert wire.kept["haunt/yard/gate/cue"] == b""


def test_the_verdict_names_what_is_wrong(firmware: SimpleNamespace) -> None:
    whole = list(examined(VirtualWire(firmware, CONFIG)).values())
    deaf = VirtualWire(firmware, CONFIG, spoilt("ignores-stop", firmware.brain.Brain))
    wrong = list(examined(deaf).values())

    assert summary("gate", whole).startswith("board gate keeps to the contract")
    assert "1 not tried" in summary("gate", whole)
    assert summary("gate", wrong).startswith("board gate does not keep to the contract")
    assert summary("gate", wrong).endswith("(stop)")
