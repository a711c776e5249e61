"""Goal: the main job end to end, as a person with two boards in the yard would see it.

Method: `haunt serve`, Mosquitto and the firmware on MicroPython's Unix port, each a real process.
"""

import sys
from pathlib import Path

import pytest

from tests.system.house import SHOW, House, until

pytestmark = pytest.mark.system

HASTY = (sys.executable, "-m", "tests.soak.hasty")  # a release counts 60 ms, not five seconds


@pytest.mark.parametrize("broker", ["auto", "library"])
def test_motion_in_rules_cue_out_and_every_decision_explained(tmp_path: Path, broker: str) -> None:
    with House(tmp_path, SHOW, more=("--broker", broker)) as house:
        server = house.server
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 1000}})
        well = house.board("well", ("well-mat",), {"well": {"bubble": 1000}})

        # Motion in, cue out, lamp on, report back.
        gate.visitor("gate-mat")
        until(lambda: gate.lit() == 1, "the gatekeeper's lamp")
        [fired] = until(lambda: server.decisions(prop="keeper"), "the decision in the API")
        assert (fired["outcome"], fired["reason"], fired["behaviour"]) == ("fired", None, "growl")
        until(lambda: server.get("/api/v1/reports")["items"], "the board's report")

        # A neighbour is staggered and fires when it clears.
        well.visitor("well-mat")
        until(lambda: well.lit() == 1, "the well's lamp")
        [waited] = until(lambda: server.decisions(prop="well"), "the well's decision")
        assert waited["outcome"] == "fired"
        assert 0 < waited["waited_ms"] <= 2000

        # Within the cooldown and beyond patience: refused, with what was left of it.
        until(lambda: server.prop("keeper")["state"] == "rest", "the gatekeeper to rest")
        gate.visitor("gate-mat")
        [refused] = until(lambda: server.decisions(prop="keeper", outcome="refused"), "the refusal")
        assert refused["reason"] == "cooldown"
        assert 3000 < refused["margin"] <= 6000
        until(lambda: "Refused: cooldown" in server.prop("keeper")["sentence"], "the sentence")

        # Near its end patience is enough: the same visitor waits and gets it.
        until(lambda: server.prop("keeper")["state"] == "ready", "the gatekeeper to be ready")
        gate.visitor("gate-mat")
        until(lambda: gate.lit() == 2, "the gatekeeper's lamp again")


def test_stop_stills_all_a_rebooted_board_stays_still_and_release_brings_it_back(
    tmp_path: Path,
) -> None:
    long = SHOW.replace("duration_s = 1", "duration_s = 8")
    with House(tmp_path, long, program=HASTY) as house:
        server = house.server
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 8000}})
        gate.visitor("gate-mat")
        until(lambda: gate.lit() == 1, "the lamp")

        status, answer = server.ask("POST", "/api/v1/stop")
        assert (status, answer["stopped"]) == (200, True)
        until(lambda: gate.pins()[-1]["level"] == 0, "the lamp to go out", 3)
        until(lambda: server.prop("keeper")["state"] == "stopped", "the page's word")

        gate.tell("reboot watchdog")
        until(lambda: len(server.get("/api/v1/health")["items"]) > 1, "its health")
        gate.visitor("gate-mat")
        until(
            lambda: server.decisions(reason="stopped"), "the refusal that says the show is stopped"
        )
        assert gate.lit() == 1

        assert server.ask("POST", "/api/v1/stop/release")[0] == 200
        until(lambda: server.prop("keeper")["state"] == "ready", "the release to count down", 30)
        gate.visitor("gate-mat")
        until(lambda: gate.lit() == 2, "the lamp after the release")


def test_nonsense_is_counted_and_the_next_good_motion_still_fires(tmp_path: Path) -> None:
    from paho.mqtt import client as mqtt  # noqa: PLC0415
    from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415

    with House(tmp_path, SHOW) as house:
        server = house.server
        account = server.credential("well")
        rogue = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="well")
        rogue.username_pw_set("well", account["password"])
        rogue.connect(account["host"], account["port"])
        rogue.loop_start()
        root = account["root"]
        for payload in (b"not json", b"[]", b'{"sensor":7}', b"{" * 900, b" " * 2049, b"\xff\xfe"):
            rogue.publish(f"{root}/well/motion", payload, 1).wait_for_publish(5)
        unknown = b'{"sensor":"nobody","boot":"7f3a91c2d405","seq":1,"age_ms":0}'
        rogue.publish(f"{root}/well/motion", unknown, 1).wait_for_publish(5)
        until(lambda: server.metric("haunt_malformed_total") == 6, "six counted")
        until(lambda: server.decisions(reason="unknown-sensor"), "the unknown sensor's decision")
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 1000}})

        gate.visitor("gate-mat")

        until(lambda: gate.lit() == 1, "the lamp")
        rogue.disconnect()
        rogue.loop_stop()
