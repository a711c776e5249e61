"""Goal: a second server stands by, says so, and takes over from one that is killed, frozen, cut off
or ended for an upgrade; there are never two that decide, and nothing is lost or comes twice.

Method: real processes, each in a network namespace of its own, on Mosquitto and PostgreSQL, with
motions coming all the while; `python -m tests.soak standby` and `rolling` do as much as one has
time for. Where we are not root it goes through proxies.
"""

import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import suppress

import pytest

from tests.soak import rolling, spaces, standby
from tests.soak.outcome import Outcome
from tests.soak.twins import Pair, judge, pair
from tests.soak.ways import BROKER_AWAY, DATABASE_AWAY
from tests.system.house import until

pytestmark = pytest.mark.system

ROOT = os.geteuid() == 0
KINDS = standby.SHORT if ROOT else (standby.KILLED, standby.FROZEN, DATABASE_AWAY, BROKER_AWAY)


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pair]:
    if ROOT:
        assert not spaces.why_not()
    with pair(tmp_path_factory.mktemp("two"), in_spaces=ROOT, born=True) as found:
        yield found


def test_whoever_runs_the_show_dies_freezes_or_is_cut_off_and_the_other_goes_on(two: Pair) -> None:
    outcome = Outcome()
    for each in KINDS:
        standby.befall(two, each, outcome, slack=3)
    standby.read(two, outcome)
    judge(two, outcome)

    print(outcome.text())
    assert outcome.failures == []
    assert set(outcome.injected) == {f"the owner {each}" for each in KINDS}
    assert outcome.noted["cues played"] > 20


def test_both_are_ended_and_started_in_turns_and_nothing_is_lost(two: Pair) -> None:
    outcome = Outcome()
    two.walking.begin()
    rolling.roll(two, two.token(), outcome, slack=3)
    judge(two, outcome)

    print(outcome.text())
    assert outcome.failures == []
    assert sum(outcome.injected.values()) == 4


@pytest.mark.skipif(not ROOT, reason="network namespaces are made by root")
def test_a_namespace_and_its_wire_are_gone_whatever_happens() -> None:
    with suppress(OSError), spaces.Space("gone", 5) as space:
        assert space.name in spaces.names()
        assert space.link in spaces.links()
        space.cut(spaces.UNPLUGGED)
        raise OSError

    assert space.name not in spaces.names()
    assert space.link not in spaces.links()


@pytest.mark.skipif(not ROOT, reason="network namespaces are made by root")
def test_what_a_killed_run_left_is_swept_away_with_who_is_in_it() -> None:
    left = f"{spaces.NAME}-{2**22 + 1}-s0"  # no process has such a number
    subprocess.run(["ip", "netns", "add", left], check=True)
    inside = subprocess.Popen(["ip", "netns", "exec", left, "sleep", "600"])
    until(lambda: str(inside.pid) in _who_is_in(left), "it to be in there")

    spaces.sweep()

    assert inside.wait(10) == -signal.SIGKILL
    assert left not in spaces.names()


def _who_is_in(name: str) -> list[str]:
    asked = ["ip", "netns", "pids", name]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split()


@pytest.mark.skipif(not ROOT, reason="to everybody else another thing is said first")
def test_without_the_command_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")

    assert "apt-get install iproute2" in spaces.why_not()
