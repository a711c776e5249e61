"""A server and counting boards for runs of faults: all real processes and sockets, one folder."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, Self
from urllib.request import Request, urlopen

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import reload_running, running_pid
from tests.cluster import rows_of
from tests.soak.nursery import Born, Nursery
from tests.system.house import ROOT, free_port, told

DEADLINE_S = 120.0  # of a machine on which much else runs
BOARDS = ("b1", "b2", "b3")
SHOW_ID = "yard"


def show_of(boards: Sequence[str]) -> str:
    """Return a show in which every motion may fire at once: one sensor and one prop a board."""
    parts = [f'[show]\nid = "{SHOW_ID}"\ntime_zone = "UTC"\n\n[stagger]\nradius_m = 1\ngap_s = 0\n']
    parts += [
        f'[[board]]\nid = "{each}"\nx_m = {10 * at}\ny_m = 0\n'
        f'[[sensor]]\nid = "{each}-mat"\nboard = "{each}"\nkind = "mat"\n'
        f'[[prop]]\nid = "{each}-prop"\nboard = "{each}"\ncooldown_s = 0\n'
        f'[[prop.behaviour]]\nid = "growl"\nduration_s = 1\n'
        f'[[link]]\nsensor = "{each}-mat"\nprop = "{each}-prop"\n'
        for at, each in enumerate(boards)
    ]
    return "\n".join(parts)


def until(what: Callable[[], Any], why: str, deadline_s: float = DEADLINE_S) -> Any:
    end = time.monotonic() + deadline_s
    while not (found := what()):
        if time.monotonic() > end:
            raise TimeoutError(f"waited {deadline_s:.0f} s for {why}")
        time.sleep(0.01)
    return found


class CountingBoard:
    """A board by the wire's rules: numbers its motions, plays each cue once, counts all of it."""

    def __init__(self, account: dict[str, Any], boot: str, *, port: int | None = None) -> None:
        self.root, self.id, self.boot = account["root"], account["username"], boot
        self.seq = self.conn = 0
        self.heard: list[str] = []
        self.plays: Counter[str] = Counter()
        self.bad: Counter[str] = Counter()
        self.epoch = 0
        self._offset_ms: int | None = None
        self._clock = ""
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self.id)
        self.client.max_inflight_messages_set(0)
        self.client.username_pw_set(self.id, account["password"])
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._on_connect
        self.client.on_message = self._on_message
        self.here = threading.Event()
        self._counting = threading.Lock()
        self.client.connect(account["host"], port or account["port"], 10)
        self.client.loop_start()
        assert self.here.wait(DEADLINE_S)

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        self.conn += 1
        self._offset_ms = None
        client.subscribe([(f"{self.root}/{self.id}/cue", 1), (f"{self.root}/all/#", 1)])
        self.say("presence", self._presence(), retain=True)
        self.here.set()

    def _presence(self) -> dict[str, Any]:
        return {
            "state": "here",
            "boot": self.boot,
            "conn": self.conn,
            "up_ms": 10_000,
            "reset": "soft",
        }

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        said = json.loads(message.payload)
        if message.topic.endswith("/beat"):
            offset_ms = said["now_ms"] - time.monotonic_ns() // 1_000_000
            if said["clock"] != self._clock or self._offset_ms is None:
                self._clock, self._offset_ms = said["clock"], offset_ms
            self._offset_ms = max(offset_ms, self._offset_ms)
            self.epoch = max(self.epoch, said["epoch"])
        elif message.topic.endswith("/cue"):
            self._play(said, retained=message.retain)

    def _play(self, cue: dict[str, Any], *, retained: bool) -> None:
        self.heard.append(cue["cue"])
        why = self._why_not(cue, retained=retained)
        if why:
            self.bad[why] += 1
            self.say(
                "report", {"cue": cue["cue"], "boot": self.boot, "state": "refused", "why": why}
            )
            return
        self.plays[cue["cue"]] += 1
        for state in ("started", "finished"):
            self.say("report", {"cue": cue["cue"], "boot": self.boot, "state": state})

    def _why_not(self, cue: dict[str, Any], *, retained: bool) -> str:
        if retained:
            return "retained"
        if cue["cue"] in self.plays:
            return "repeat"
        if cue["epoch"] < self.epoch:
            return "old-epoch"
        if self._offset_ms is None:
            return "no-beat"
        now_ms = time.monotonic_ns() // 1_000_000 + self._offset_ms
        return "late" if now_ms > cue["sent_ms"] + cue["ttl_ms"] else ""

    def say(self, kind: str, payload: dict[str, Any], *, retain: bool = False) -> Any:
        return self.client.publish(f"{self.root}/{self.id}/{kind}", json.dumps(payload), 1, retain)

    def motion(self) -> Any:
        """From any thread."""
        with self._counting:
            self.seq += 1
            motion = {"sensor": f"{self.id}-mat", "boot": self.boot, "seq": self.seq, "age_ms": 0}
            return self.say("motion", motion)

    def health(self) -> Any:
        """Tell its counters, as a board does every five seconds."""
        return self.say(
            "health",
            {"boot": self.boot, "up_ms": 20_000, "motions": {f"{self.id}-mat": self.seq}},
        )

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Garden:
    """`serve` over one folder, started as often as it is killed; the broker stays."""

    def __init__(
        self, folder: Path, boards: Sequence[str] = BOARDS, nursery: Nursery | None = None
    ) -> None:
        """Of a `nursery`, where one is given, its servers are born with everything imported."""
        self._nursery = nursery
        self.folder, self.data = folder, folder / "data"
        self.data.mkdir(parents=True)
        self.show = folder / "show.toml"
        self.show.write_text(show_of(boards))
        self.port, self.mqtt_port = free_port(), free_port()
        self.process: subprocess.Popen[bytes] | Born | None = None
        self.boards: dict[str, CountingBoard] = {}
        self.token = ""
        self._ending = ExitStack()

    def __enter__(self) -> Self:
        self._ending.callback(self._end)
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    def start(self, point: str = "none", number: int = 0, *, wait: bool = True) -> None:
        words = ["serve", "--data", str(self.data), "--show", str(self.show)]
        words += ["--listen", f"127.0.0.1:{self.port}", "--mqtt", f"127.0.0.1:{self.mqtt_port}"]
        words = [point, str(number), *words]
        log_path = self.folder / "server.log"
        log_path.touch()
        if self._nursery is not None:
            if isinstance(self.process, Born):
                self.process.forget()
            self.process = self._nursery.bear(words, log_path)
        else:
            with log_path.open("ab") as log:
                self.process = subprocess.Popen(
                    [sys.executable, "-m", "tests.soak.crashing", *words], stderr=log, cwd=ROOT
                )
        if wait:
            until(lambda: self.answers() or self.is_dead(), "the server to answer")
            assert not self.is_dead(), self.log()[-500:]

    def log(self) -> str:
        return (self.folder / "server.log").read_text(errors="replace")

    def answers(self) -> bool:
        return bool(self.ask("/livez"))

    def ask(self, path: str) -> Any:
        asked = Request(f"http://127.0.0.1:{self.port}{path}")
        if path != "/livez":
            self.token = self.token or self.told("tokens", "add", "--role", "owner")["token"]
            asked.add_header("authorization", f"Bearer {self.token}")
        try:
            with urlopen(asked, timeout=5) as answer:
                raw = answer.read().decode()
        except OSError:
            return None
        try:
            return json.loads(raw)
        except ValueError:
            return raw

    def metric(self, name: str) -> int:
        for line in str(self.ask("/metrics") or "").splitlines():
            if line.startswith(f"{name} "):
                return int(line.split()[1])
        return -1

    def is_dead(self) -> bool:
        return self.process is None or self.process.poll() is not None

    def wait_for_death(self, deadline_s: float = DEADLINE_S) -> bool:
        assert self.process is not None
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(deadline_s)
        return self.is_dead()

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    def end(self) -> float:
        """SIGTERM; return the seconds it took."""
        assert self.process is not None
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(DEADLINE_S)
        return time.monotonic() - began

    def broker_pid(self) -> int | None:
        return running_pid((self.data / "broker").resolve())

    def told(self, *words: str) -> dict[str, Any]:
        return told(self.data, *words)

    def account(self, board: str) -> dict[str, Any]:
        """Make its credential, as the command line does in a process of its own."""
        return self.accounts([board])[0]

    def accounts(self, boards: Sequence[str]) -> list[dict[str, Any]]:
        credentials = Credentials(self.data / "broker", SHOW_ID)
        common = {"host": "127.0.0.1", "port": self.mqtt_port, "root": credentials.root}
        found = [{**common, "username": each, "password": credentials.add(each)} for each in boards]
        reload_running(self.data / "broker")
        return found

    def admit(self, *boards: str) -> None:
        for at, account in enumerate(self.accounts(boards)):
            board = CountingBoard(account, f"7f3a91c2{at:04x}")
            self.boards[board.id] = board
            self._ending.callback(board.close)

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        return rows_of(self.data, statement)

    def tell_counters(self) -> None:
        """Let every board say what it counted, and wait until it is kept."""
        before = self.rows("SELECT max(id) FROM health")[0][0] or 0
        for board in self.boards.values():
            board.health().wait_for_publish(DEADLINE_S)
        told = f"SELECT count(DISTINCT board) FROM health WHERE id > {before}"
        until(lambda: self.rows(told)[0][0] == len(self.boards), "the boards' counters")

    def newest(self) -> dict[str, int]:
        """Return the highest number of each board's motions that is in the journal."""
        return dict(self.rows("SELECT board, max(seq) FROM motions GROUP BY board, boot"))

    def journalled(self, board: CountingBoard) -> list[int]:
        return [
            row[0]
            for row in self.rows(
                f"SELECT seq FROM motions WHERE board = '{board.id}' "
                f"AND boot = '{board.boot}' ORDER BY seq"
            )
        ]

    def _end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.kill()
        pid = self.broker_pid()
        if pid is not None:
            os.kill(pid, signal.SIGCONT)
            os.kill(pid, signal.SIGKILL)
