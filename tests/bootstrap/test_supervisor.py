"""Goal: a supervisor of services hears that we are ready and alive, and only then.

Method: a datagram socket stands in for the supervisor's; the protocol is that of sd_notify(3),
sd_watchdog_enabled(3): two beats a period at least, the period in microseconds, a process id.
"""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from haunt.bootstrap.supervisor import Supervisor

PID = 4711


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(path)
        listening.settimeout(5)
        yield path, listening


def test_ready_alive_and_ending_are_said_in_the_words_of_the_protocol(
    desk: tuple[str, socket.socket],
) -> None:
    path, listening = desk
    told = Supervisor({"NOTIFY_SOCKET": path}, PID)
    told.ready("the show runs")
    told.alive()
    told.ending()

    heard = [listening.recv(200).decode() for _ in range(3)]
    assert heard == ["READY=1\nSTATUS=the show runs", "WATCHDOG=1", "STOPPING=1"]


def test_a_name_in_the_abstract_space_begins_with_an_at_sign() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0haunt-test-supervisor")
        listening.settimeout(5)
        Supervisor({"NOTIFY_SOCKET": "@haunt-test-supervisor"}, PID).alive()
        assert listening.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize(
    ("told", "beat_s"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "4711"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_beat_is_a_third_of_the_period_if_it_is_meant_for_us(
    told: dict[str, str], beat_s: float | None
) -> None:
    assert Supervisor(told, PID).beat_s == beat_s


def test_a_supervisor_that_is_gone_costs_nothing(tmp_path: Path) -> None:
    Supervisor({"NOTIFY_SOCKET": str(tmp_path / "nobody")}, PID).ready("the show runs")
    Supervisor({}, PID).alive()
