"""Goal: a whole board, from pin to packet and back, without machine or network.

Method: the loop on a virtual clock, with a connection in memory and a script for pins; what the
board writes is read back with the codec's own parser.
"""

import itertools
import json
from types import SimpleNamespace
from typing import Any

import pytest

from tests.firmware.modules import CONFIG, FakeLink, FakeRadio, beat, cue, stop

CONNACK = b"\x20\x02\x00\x00"
SUBACK = b"\x90\x06\x00\x01\x01\x00\x01\x01"
REST = {"eyes": 0, "arm": 1, "jaw": 0, "path-light": 1}


class Bench:
    """One board with its broker played by hand; `levels` is what its pins show."""

    def __init__(self, firmware: SimpleNamespace, number: int = 1, **changes: Any) -> None:
        self._packets = firmware.packets
        self.config = firmware.config.parse(json.dumps({**CONFIG, **changes}))
        self.log: list[dict[str, Any]] = []
        self.pins = firmware.board.ScriptPins(self.config, self.log.append)
        self.link, self.radio = FakeLink(), FakeRadio()
        self.ms = 0
        self._seeds = itertools.count(number)
        self.board = firmware.loop.Board(
            self.config, self.pins, self.link, self.radio, self._entropy, self.ms
        )

    def _entropy(self, size: int) -> bytes:
        return next(self._seeds).to_bytes(size, "big")

    @property
    def levels(self) -> dict[str, Any]:
        return {entry["output"]: entry["level"] for entry in self.log}

    def run(self, for_ms: int) -> None:
        for _ in range(for_ms // 10):
            self.ms += 10
            self.board.poll(self.ms)

    def connect(self) -> None:
        self.run(20)
        self.link.arrive(CONNACK + SUBACK)
        self.run(10)

    def hear(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        packet_id = 7 if topic.endswith(("cue", "stop", "settings")) else 0
        qos = 1 if packet_id else 0
        packet = self._packets.publish(f"haunt/yard/{topic}", payload, qos, retain, packet_id)
        self.link.arrive(packet)
        self.run(10)

    def heard(self, leaf: str) -> list[dict[str, Any]]:
        """What the board published there, in order, and acknowledges it."""
        found = []
        for packet in self.link.sent:
            if packet[0] >> 4 == 3:
                _, topic, payload, qos, _, _, packet_id = self._packets.Parser().feed(packet)[0]
                if qos:
                    self.link.arrive(self._packets.puback(packet_id))
                if topic == f"haunt/yard/gate/{leaf}":
                    found.append(json.loads(payload))
        return found


def test_outputs_are_at_rest_before_anything_else(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)

    assert bench.levels == REST
    assert bench.link.opened == 0


def test_a_cue_plays_its_steps_and_comes_to_rest(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.hear("all/beat", beat(1000))
    bench.log.clear()

    bench.hear("gate/cue", cue(1000))
    assert bench.levels == {"eyes": 1, "jaw": 1}
    bench.run(400)
    assert bench.levels == {"eyes": 1, "jaw": 1, "arm": 0, "path-light": 0}
    bench.run(600)

    assert bench.levels == REST
    assert [report["state"] for report in bench.heard("report")] == ["started", "finished"]


def test_a_stop_leaves_what_holds_where_it_is(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.hear("all/beat", beat(1000))
    bench.hear("gate/cue", cue(1000))
    bench.run(300)

    bench.hear("all/stop", stop(4, stopped=True))
    bench.run(2000)

    assert bench.levels == {"eyes": 0, "arm": 1, "jaw": 1, "path-light": 1}
    assert [report["state"] for report in bench.heard("report")] == ["started", "aborted"]


def test_a_button_stops_its_board_with_no_broker_at_all(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.hear("all/beat", beat(1000))
    bench.hear("gate/cue", cue(1000))
    bench.link.cut()
    bench.run(10)

    bench.pins.command("button stop-button")
    bench.run(10)

    assert bench.levels["eyes"] == 0
    bench.run(2000)
    assert bench.levels["eyes"] == 0


def test_every_packet_is_one_write(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.pins.command("motion gate-pir")
    bench.run(6000)

    kinds = set()
    for packet in bench.link.sent:
        parser, start = firmware.packets.Parser(), packet[1:3]
        size = start[0] if start[0] < 128 else (start[0] & 127) + 128 * start[1]
        assert len(packet) == (2 if start[0] < 128 else 3) + size
        kinds.add(packet[0] >> 4)
        if packet[0] >> 4 == 3:
            assert len(parser.feed(packet)) == 1
    assert kinds == {1, 3, 8, 12}


def test_a_dropped_board_comes_back_with_its_motions(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.pins.command("drop")
    bench.pins.command("motion gate-pir")
    bench.run(10)
    assert not bench.link.is_open()
    assert bench.board.fault == "dropped by script"

    bench.run(490)
    bench.link.arrive(CONNACK + SUBACK)
    bench.run(10)

    assert bench.link.opened == 2
    assert bench.heard("presence")[0]["conn"] == 2
    assert bench.heard("motion")[0]["age_ms"] > 200


def test_a_rebooted_board_is_at_rest_and_new(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()
    before = bench.heard("presence")[0]
    bench.hear("all/beat", beat(1000))
    bench.hear("gate/cue", cue(1000))

    bench.pins.command("reboot brown-out")
    bench.run(10)
    assert bench.levels == REST
    bench.connect()

    after = bench.heard("presence")[0]
    assert after["boot"] != before["boot"]
    assert (after["conn"], after["reset"]) == (1, "brown-out")


def test_boards_powered_together_connect_over_five_seconds(firmware: SimpleNamespace) -> None:
    benches = [Bench(firmware, number * 7919, spread_ms=5000) for number in range(1, 41)]
    opened_ms = []
    for bench in benches:
        while not bench.link.opened:
            bench.run(10)
        opened_ms.append(bench.ms)

    assert max(opened_ms) <= 5010
    assert max(opened_ms) - min(opened_ms) > 2500


def test_a_connection_that_never_stands_is_given_up(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.link.ready = False

    bench.run(6000)

    assert bench.link.opened == 2
    assert bench.board.fault == "no connection in time"


def test_a_board_that_was_connected_tries_again_soon(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    for _ in range(6):
        bench.run(10)
        bench.link.cut()
        bench.run(5010)
    bench.link.arrive(CONNACK + SUBACK)
    bench.run(10)
    opened = bench.link.opened

    bench.pins.command("drop")
    bench.run(520)

    assert bench.link.opened == opened + 1


@pytest.mark.parametrize("answer", [b"\x20\x02\x00\x05", b"\xf0\x00", b"\x30\xff\xff\xff\xff"])
def test_an_unfit_answer_closes_the_connection(firmware: SimpleNamespace, answer: bytes) -> None:
    bench = Bench(firmware)
    bench.run(20)
    bench.link.arrive(answer)

    bench.run(10)

    assert not bench.link.is_open()
    assert bench.board.fault


def test_nothing_is_opened_while_the_radio_is_out(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.radio.ready = False
    bench.run(3000)
    assert bench.link.opened == 0

    bench.radio.ready = True
    bench.run(600)

    assert bench.link.opened == 1


def test_a_board_that_is_closed_says_goodbye(firmware: SimpleNamespace) -> None:
    bench = Bench(firmware)
    bench.connect()

    bench.board.close(bench.ms)

    assert bench.heard("presence")[-1]["state"] == "gone"
    assert bench.link.sent[-1] == b"\xe0\x00"
    assert bench.levels == REST


def test_boards_in_one_process_share_nothing(firmware: SimpleNamespace) -> None:
    first, second = Bench(firmware, 1), Bench(firmware, 500)
    first.connect()
    second.connect()
    first.hear("all/beat", beat(1000))
    first.hear("gate/cue", cue(1000))
    first.pins.command("motion gate-pir")
    first.run(10)
    second.run(10)

    assert first.levels["eyes"] == 1
    assert second.levels == REST
    assert second.heard("motion") == []
    assert first.heard("presence")[0]["boot"] != second.heard("presence")[0]["boot"]


@pytest.mark.parametrize("line", ["", "motion", "dance gate-pir", "battery low", "motion a b"])
def test_a_line_that_says_nothing_known_is_nothing(firmware: SimpleNamespace, line: str) -> None:
    assert firmware.script.events_of(line) == []


TALKER = {
    "gatekeeper": {
        "outputs": {
            "voice": {"kind": "sound", "stop": "off", "hook": "v"},
            "head": {"kind": "motor", "stop": "off", "soft_ms": 100},
            "eyes": {"kind": "dimmer", "stop": "off"},
        },
        "behaviours": {
            "growl": {
                "duration_ms": 1000,
                "tracks": [
                    {"output": "voice", "do": "speak", "line": "Boo", "to_ms": 800},
                    {"output": "head", "do": "run", "level": 500},
                    {"output": "eyes", "do": "steady", "level": 900, "from_ms": 200},
                ],
            }
        },
    }
}


def playing(firmware: SimpleNamespace, said: bytes) -> Bench:
    bench = Bench(firmware, props=TALKER)
    bench.connect()
    bench.hear("all/beat", beat(1000))
    bench.hear("gate/cue", said)
    return bench


def test_a_cue_with_a_line_has_it_spoken_while_light_and_motion_run(
    firmware: SimpleNamespace,
) -> None:
    said = {**json.loads(cue(1000)), "line": "Who goes there"}
    bench = playing(firmware, json.dumps(said).encode())
    assert bench.levels["voice"] == "line:Who goes there"

    bench.run(300)
    assert bench.levels == {"voice": "line:Who goes there", "head": 500, "eyes": 900}
    bench.run(1000)

    assert bench.levels == {"voice": 0, "head": 0, "eyes": 0}
    assert [report["state"] for report in bench.heard("report")] == ["started", "finished"]


def test_everything_ends_at_the_cues_own_end(firmware: SimpleNamespace) -> None:
    bench = playing(firmware, cue(1000, max_ms=400))
    bench.run(390)
    assert bench.levels == {"voice": "line:Boo", "head": 500, "eyes": 900}

    bench.run(10)

    assert bench.levels == {"voice": 0, "head": 0, "eyes": 0}


def test_a_stop_is_not_made_soft(firmware: SimpleNamespace) -> None:
    bench = playing(firmware, cue(1000))
    bench.run(400)

    bench.hear("all/stop", stop(4, stopped=True))

    assert bench.levels == {"voice": 0, "head": 0, "eyes": 0}


def test_a_motor_that_stalls_ends_its_play_and_the_controller_is_told(
    firmware: SimpleNamespace,
) -> None:
    bench = playing(firmware, cue(1000))
    bench.run(300)

    bench.pins.command("stall gatekeeper head")
    bench.run(10)

    assert bench.levels == {"voice": 0, "head": 0, "eyes": 0}
    bench.run(2000)
    assert bench.levels["head"] == 0
    reports = bench.heard("report")
    assert [(report["state"], report.get("why")) for report in reports] == [
        ("started", None),
        ("aborted", "stalled"),
    ]


def test_a_board_that_lost_its_controller_plays_alone_and_counts_it(
    firmware: SimpleNamespace,
) -> None:
    ghost = {
        "ghost": {
            "outputs": {"glow": {"kind": "pixels", "stop": "off"}},
            "behaviours": {
                "shine": {
                    "duration_ms": 500,
                    "tracks": [{"output": "glow", "do": "steady", "level": 700}],
                }
            },
        }
    }
    bench = Bench(firmware, props=ghost, sensors={"pir": {"props": ["ghost"]}})
    bench.connect()
    allowed = {
        "version": 1,
        "mode": "alone",
        "props": {"ghost": {"behaviour": "shine", "cooldown_ms": 1000}},
        "hours": [["00:00", "00:00"]],
    }
    bench.hear("gate/settings", json.dumps(allowed).encode())
    bench.hear("all/beat", beat(1000))
    bench.run(6000)
    bench.log.clear()

    bench.pins.command("button pir")
    bench.run(10)
    assert bench.levels == {"glow": 700}
    bench.run(500)
    assert bench.levels == {"glow": 0}

    bench.link.arrive(b"\xd0\x00")
    bench.run(5000)
    assert bench.heard("health")[-1]["starts"] == {"ghost": 1}
    assert bench.heard("report") == []


def test_a_board_may_sleep_only_without_a_link_and_with_nothing_on(
    firmware: SimpleNamespace,
) -> None:
    bench = playing(firmware, cue(1000))
    assert not bench.board.is_quiet()
    bench.run(2000)
    assert not bench.board.is_quiet()

    bench.link.cut()
    bench.run(10)

    assert bench.board.is_quiet()
