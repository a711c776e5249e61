"""Goal: nothing is lost or doubled when the controller is killed; a full disk delays no cue.

Method: a plain MQTT client plays a board by the wire's rules and counts what it hears.
"""

import json
import os
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.system.house import SHOW, House, Server, until

pytestmark = pytest.mark.system

BOOT = "7f3a91c2d405"


class WireBoard:
    """Speaks as the well's board; remembers every cue it hears, and plays each id once."""

    def __init__(self, account: dict[str, Any]) -> None:
        self.root, self.id = account["root"], account["username"]
        self.cues: list[dict[str, Any]] = []
        self.played: list[str] = []
        self.acked = threading.Semaphore(0)
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self.id)
        self.client.username_pw_set(self.id, account["password"])
        self.client.on_message = self._on_message
        self.client.on_connect = self._on_connect
        self.client.connect(account["host"], account["port"])
        self.client.loop_start()

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self.root}/{self.id}/cue", 1)
        self.say("presence", {"state": "here", "boot": BOOT, "conn": 1, "up_ms": 1}, retain=True)

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        cue = json.loads(message.payload)
        self.cues.append(cue)
        if cue["cue"] not in self.played:
            self.played.append(cue["cue"])
            self.report(cue["cue"], "started")
            self.report(cue["cue"], "finished")

    def report(self, cue: str, state: str) -> None:
        self.say("report", {"cue": cue, "boot": BOOT, "state": state})

    def say(self, kind: str, payload: dict[str, Any], *, retain: bool = False) -> Any:
        topic = f"{self.root}/{self.id}/{kind}"
        return self.client.publish(topic, json.dumps(payload), 1, retain)

    def motion(self, seq: int) -> Any:
        return self.say("motion", {"sensor": "well-mat", "boot": BOOT, "seq": seq, "age_ms": 0})

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_killed_twice_in_a_burst_every_motion_is_journalled_once_and_no_cue_plays_twice(
    tmp_path: Path,
) -> None:
    show = SHOW.replace("cooldown_s = 6", "cooldown_s = 0").replace("gap_s = 2", "gap_s = 0")
    with House(tmp_path, show) as house:
        server = house.server
        board = WireBoard(server.credential("well"))
        until(lambda: server.prop("well")["here"], "the board to be here")
        sent = [board.motion(seq) for seq in range(1, 201)]
        server.kill()
        sent += [board.motion(seq) for seq in range(201, 351)]
        server.start()
        sent += [board.motion(seq) for seq in range(351, 401)]
        server.kill()
        sent += [board.motion(seq) for seq in range(401, 501)]
        server.start()
        for each in sent:
            each.wait_for_publish(10)

        until(lambda: len(_motions(server)) >= 500, "500 motions in the journal", 30)

        until(lambda: len(server.decisions(source="motion")) >= 500, "the last to wait", 10)
        motions = _motions(server)
        assert sorted(each["seq"] for each in motions) == list(range(1, 501))
        decided = [d for d in server.decisions(prop="well") if d["source"] == "motion"]
        assert len({d["motion"] for d in decided}) == len(decided) == 500
        assert len(board.played) == len(set(board.played))
        assert len(board.played) >= 1
        board.close()


def _motions(server: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = server.get("/api/v1/motions?limit=1000")["items"]
    return found


def test_the_state_before_a_kill_is_the_state_after(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        server = house.server
        server.ask("POST", "/api/v1/props/keeper/hold")
        server.ask("POST", "/api/v1/stop")
        epoch = server.ask("POST", "/api/v1/stop")[1]["epoch"]
        until(lambda: server.get("/api/v1/props/keeper")["held_by"], "the hold")
        until(lambda: server.metric("haunt_journal_backlog") == 0, "the journal to be written")
        server.kill()
        server.start()

        until(lambda: server.metric("haunt_broker_up") == 1, "the broker")
        status, answer = server.ask("POST", "/api/v1/stop")
        assert (status, answer["stopped"]) == (200, True)
        assert answer["epoch"] >= epoch + 2
        assert server.prop("keeper")["held_by"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_a_full_disk_delays_no_cue_and_is_counted_and_shown(tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", small], check=True)
    try:
        show = SHOW.replace("cooldown_s = 6", "cooldown_s = 0").replace("gap_s = 2", "gap_s = 0")
        with House(small, show) as house:
            server = house.server
            board = WireBoard(server.credential("well"))
            until(lambda: server.prop("well")["here"], "the board to be here")
            board.motion(1)
            until(lambda: len(board.played) == 1, "a cue while there is room")
            _fill(small / "ballast")

            for seq in range(2, 12):
                board.motion(seq)
                until(_played(board, seq), f"cue {seq} with the disk full", 3)

            until(lambda: server.metric("haunt_not_journalled_total") > 0, "the count")
            (small / "ballast").unlink()
            board.motion(12)
            until(_kept(server, "-12"), "recovery")
            board.close()
    finally:
        subprocess.run(["umount", "-l", small], check=True)


def _kept(server: Server, motion: str) -> Callable[[], bool]:
    """Whether the latest decision in the journal is of this motion; there may be none yet."""
    return lambda: [each["motion"][-3:] for each in server.decisions(prop="well")][-1:] == [motion]


def _played(board: WireBoard, count: int) -> Callable[[], bool]:
    return lambda: len(board.played) >= count


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as ballast:
        try:
            while True:
                ballast.write(b"\0" * 4096)
        except OSError:
            return


def test_it_ends_within_five_seconds_with_streams_open(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        streams = [house.server.listening() for _ in range(10)]
        until(lambda: house.server.metric("haunt_streams") == 10, "ten streams")

        took_s = house.server.end()

        assert took_s < 5, took_s
        for each in streams:
            assert each.wait(5) is not None
