"""A stop while everything goes wrong, then everything restarted in every order: it stays a stop.

Real server, real Mosquitto, boards of the real firmware in a process of their own. A stop reaches
every board within a second with the database locked, no room on the disk, phones that hold their
streams and read nothing, and a board gone mad; afterwards nothing plays, whatever is restarted,
until a person releases the show.
"""

import os
import signal
import subprocess
import time
from collections.abc import Sequence
from contextlib import ExitStack
from itertools import permutations
from pathlib import Path
from typing import Any, Self

from haunt.core.dice import draw
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import mosquitto, reload_running, running_pid
from haunt.site.doors import form_token_of
from tests.soak import siege
from tests.soak.crowd import Crowd
from tests.soak.garden import SHOW_ID, show_of, until
from tests.soak.outcome import PATIENCE, Outcome
from tests.system.house import HAUNT, Server, free_port
from tests.system.test_people import asked

BOARDS = tuple(f"b{number}" for number in range(1, 11))
MAD = ("m1", "m2")
STOP_S = 1.0
BACK_S = 15.0
VISITS_A_SECOND = 4
PAUSE_S = 1.5
"""How long a storm gathers, and how long it is watched that nothing starts."""
ORDERS = tuple(permutations(("server", "broker", "boards")))
WAYS = {"page": 303, "api": 200}


class Yard:
    """A server, its broker and two kinds of boards; ends all of them."""

    def __init__(self, folder: Path, program: tuple[str, ...] = HAUNT) -> None:
        self._ending = ExitStack()
        self.folder, small = folder, folder / "small"
        small.mkdir()
        self.disk = self._ending.enter_context(siege.Disk(small))
        show, data = small / "show.toml", small / "data"
        show.write_text(show_of([*BOARDS, *MAD]))
        data.mkdir()
        self.server = Server(data, show, program=program)
        self._broker = (data / "broker").resolve()
        self._brokers_gone: int | None = None
        self._started: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Self:
        self._ending.callback(self._end_broker)
        self.server.more = ("--mqtt", f"127.0.0.1:{free_port()}")
        self._ending.callback(self._end_server)
        self.server.start()
        self._credentials = Credentials(self._broker, SHOW_ID)
        self.mad = [self._account(each) for each in MAD]
        self.crowd = Crowd(self.folder, [self._account(each) for each in BOARDS])
        reload_running(self._broker)
        self._ending.enter_context(self.crowd)
        self._cookie = self._come_in()
        self._await_boards(0)
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    # --- asked from outside

    def stop(self, way: str) -> tuple[int, int]:
        """Press it on a page or ask for it by the API; return the instant, in ns, and the status.

        A page sends whoever pressed back to where they were.
        """
        pressed_ns = time.monotonic_ns()
        if way == "page":
            form = {"form_token": form_token_of(self._cookie.partition("=")[2])}
            told = asked(self.server, "/stop", form, cookie=self._cookie)
        else:
            told = asked(self.server, "/api/v1/stop", {}, **self.server.signed)
        return pressed_ns, told.status

    def release(self) -> None:
        told = asked(self.server, "/api/v1/stop/release", {}, **self.server.signed)
        assert told.status == 200, told.text

    def is_stopped(self) -> bool:
        return self.server.metric("haunt_stopped") == 1

    def _come_in(self) -> str:
        """As a watch by a link, which is all that a stop needs."""
        link = self.server.told("people", "add", "Mara", "--role", "watch")["url"]
        told = asked(self.server, "/link", {"code": link.partition("code=")[2]})
        assert told.cookie, told.text
        return told.cookie

    # --- ended and begun again

    def end(self, what: str) -> None:
        """By SIGKILL, as a plug that is pulled does it."""
        if what == "server":
            self.server.kill()
        elif what == "boards":
            self.crowd.kill()
        else:
            self._brokers_gone = running_pid(self._broker)
            assert self._brokers_gone is not None
            os.kill(self._brokers_gone, signal.SIGKILL)
            for each in self._started:
                each.wait()

    def begin(self, what: str) -> None:
        if what == "server":
            self.server.start()
        elif what == "boards":
            self.crowd.start()
            self.crowd.tell(f"storm {VISITS_A_SECOND}")
        elif self.is_served:
            killed = self._brokers_gone
            until(lambda: running_pid(self._broker) not in {None, killed}, "its keeper", BACK_S)
        else:
            binary = mosquitto()
            assert binary is not None
            words = [binary, "-c", str(self._broker / "mosquitto.conf")]
            self._started.append(
                subprocess.Popen(words, start_new_session=True, stderr=subprocess.DEVNULL)
            )

    def await_all(self, since_ns: int) -> None:
        """Until everybody is back, and every board says that it is still."""
        until(lambda: self.server.metric("haunt_broker_up") == 1, "the broker", BACK_S)
        self._await_boards(since_ns)
        until(lambda: set(BOARDS) <= self._here(), "the boards", BACK_S)

    def _here(self) -> set[str]:
        found = self.server.get("/api/v1/props")["items"]
        return {each["board"] for each in found if each["here"]}

    def _await_boards(self, since_ns: int) -> None:
        until(
            lambda: len(self.crowd.first("connected", since_ns)) == len(BOARDS),
            f"{len(BOARDS)} boards to sign in",
            BACK_S,
        )

    def _account(self, board: str) -> dict[str, Any]:
        return {
            "host": "127.0.0.1",
            "port": int((self._broker / "port").read_text()),
            "username": board,
            "password": self._credentials.add(board),
            "root": self._credentials.root,
        }

    @property
    def is_served(self) -> bool:
        return self.server.process is not None and self.server.process.poll() is None

    def _end_server(self) -> None:
        if self.is_served:
            self.server.end()

    def _end_broker(self) -> None:
        pid = running_pid(self._broker)
        if pid is not None:
            os.kill(pid, signal.SIGKILL)
        for each in self._started:
            each.wait()


def run(
    count: int,
    seed: int,
    folder: Path,
    *,
    within_s: float = STOP_S,
    orders: Sequence[Sequence[str]] = ORDERS,
    orders_each: int = 1,
    pause_s: float = PAUSE_S,
) -> Outcome:
    """Stop it `count` times under fire; after each, restart in the next `orders_each` orders."""
    outcome = Outcome()
    with Yard(folder) as yard:
        for number in PATIENCE.numbers(count):
            _let_go(yard, outcome)
            time.sleep(draw(seed, f"stop {number}", 500) / 1000)
            still_ns = _under_fire(yard, tuple(WAYS)[number % 2], within_s, pause_s, outcome)
            for at in range(number * orders_each, (number + 1) * orders_each):
                order = orders[at % len(orders)]
                restart = RESTARTS[(at // len(orders) + at) % len(RESTARTS)]
                restart(yard, order, outcome)
                time.sleep(pause_s)
                _is_still(yard, still_ns, f"after {', '.join(order)}", outcome)
    return outcome


def _let_go(yard: Yard, outcome: Outcome) -> None:
    """Something plays before each stop, else nothing would be shown by it."""
    if yard.is_stopped():
        yard.release()
    since_ns = time.monotonic_ns()
    yard.crowd.tell(f"storm {VISITS_A_SECOND}")
    until(lambda: len({each["board"] for each in yard.crowd.starts(since_ns)}) > 5, "starts", 30)
    outcome.noted["starts before a stop"] += len(yard.crowd.starts(since_ns))


def _under_fire(yard: Yard, way: str, within_s: float, pause_s: float, outcome: Outcome) -> int:
    """Return the instant from which on nothing may start."""
    process = yard.server.process
    assert process is not None
    with siege.all_at_once(yard.server, yard.disk, yard.mad) as storms:
        until(lambda: yard.server.metric("haunt_streams") >= siege.PHONES, "the phones")
        time.sleep(pause_s)
        outcome.expect(siege.is_locked(yard.server.data / "haunt.db"), "the lock was not there")
        outcome.expect(not yard.disk.has_room(process.pid), "there was room")
        before = sum(each.sent for each in storms)
        pressed_ns, status = yard.stop(way)
        answered_ns = time.monotonic_ns()
        outcome.expect(status == WAYS[way], f"the {way} answered {status}")
        _heard(yard, pressed_ns, within_s, way, outcome)
        outcome.noted["motions in the storms"] += sum(each.sent for each in storms)
        outcome.expect(before > 100, f"a storm of {before} motions is none")
        took_ms = (answered_ns - pressed_ns) // 1_000_000
        _most(outcome, f"longest answer to the {way}, ms", took_ms)
        time.sleep(pause_s)
    _no_start_after_its_stop(yard, pressed_ns, outcome)
    outcome.injected[f"stop by the {way}: locked, no room, frozen phones, storm"] += 1
    return pressed_ns + round(within_s * 1e9)


def _heard(yard: Yard, pressed_ns: int, within_s: float, way: str, outcome: Outcome) -> None:
    try:
        until(
            lambda: len(yard.crowd.first("stopped", pressed_ns)) == len(BOARDS), "all to be still"
        )
    except TimeoutError:
        heard = yard.crowd.first("stopped", pressed_ns)
        outcome.failures.append(f"{sorted(set(BOARDS) - set(heard))} never heard a stop")
    for board, at_ns in yard.crowd.first("stopped", pressed_ns).items():
        took_ms = (at_ns - pressed_ns) // 1_000_000
        _most(outcome, f"longest until a board was still, by the {way}, ms", took_ms)
        outcome.noted["boards made still"] += 1
        outcome.expect(took_ms <= within_s * 1000, f"{board} was still after {took_ms} ms")


def _no_start_after_its_stop(yard: Yard, since_ns: int, outcome: Outcome) -> None:
    """On no board does anything start between its own stop and its own release."""
    still: dict[str, int] = {}
    for each in yard.crowd.entries(since_ns):
        if each["what"] == "stopped":
            still[each["board"]] = each["epoch"]
        elif each["what"] == "released":
            still.pop(each["board"], None)
        elif each["what"] == "on" and each["board"] in still:
            outcome.failures.append(f"{each['board']} started {each['cue']} while it was stopped")
        elif each["what"] == "on" and each["cue"]["epoch"] < each["epoch"]:
            outcome.failures.append(f"{each['board']} played a cue of an older epoch")


def _one_by_one(yard: Yard, order: Sequence[str], outcome: Outcome) -> None:
    """Each is killed and comes back before the next."""
    for each in order:
        since_ns = time.monotonic_ns()
        yard.end(each)
        yard.begin(each)
        yard.await_all(0 if each == "server" else since_ns)
    outcome.injected[f"restarted one by one: {', '.join(order)}"] += 1


def _from_nothing(yard: Yard, order: Sequence[str], outcome: Outcome) -> None:
    """All are down at once and come back in this order."""
    for each in order:
        yard.end(each)
    since_ns = time.monotonic_ns()
    for each in order:
        yard.begin(each)
    yard.await_all(since_ns)
    outcome.injected[f"all down, then up: {', '.join(order)}"] += 1


RESTARTS = (_one_by_one, _from_nothing)


def _is_still(yard: Yard, since_ns: int, when: str, outcome: Outcome) -> None:
    """Nothing has started since, though visitors come; server and boards say the same."""
    outcome.expect(yard.is_stopped(), f"{when}: the server is not stopped")
    started = yard.crowd.starts(since_ns)
    outcome.expect(not started, f"{when}: {len(started)} starts, first {started[:1]}")
    _no_start_after_its_stop(yard, since_ns, outcome)
    released = [each for each in yard.crowd.entries(since_ns) if each["what"] == "released"]
    outcome.expect(not released, f"{when}: {len(released)} boards were released by themselves")


def _most(outcome: Outcome, name: str, value: int) -> None:
    outcome.noted[name] = max(outcome.noted[name], value)
