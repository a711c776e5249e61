"""Goal: whatever dies, freezes, fills up or rots, nothing committed is lost and nothing is doubled.

Method: short counts of the runs in tests/soak, on real processes; `python -m tests.soak NAME
--count N` draws as many as one has time for. Boards keep their own counts, which are held against
the journal at the end.
"""

import json
import sqlite3
import urllib.request
from contextlib import closing
from pathlib import Path

import pytest

from haunt.bootstrap import keeping
from tests.soak import broker, crash, damage, disk, link, presence, restarts, slow, torn
from tests.soak.outcome import Outcome
from tests.store.nights import config_of
from tests.system.house import SHOW, House, until

pytestmark = pytest.mark.system


def sound(outcome: Outcome) -> Outcome:
    print(outcome.text())
    assert outcome.failures == []
    return outcome


def test_killed_before_and_after_commit_acknowledgement_and_cue_nothing_is_lost_or_doubled(
    tmp_path: Path,
) -> None:
    outcome = sound(crash.run(len(crash.SHORT), 1, tmp_path, crash.SHORT))

    assert set(outcome.injected) == {f"killed at {each}" for each in crash.SHORT}
    assert outcome.noted["motions counted by boards"] > 100


def test_a_broker_that_dies_costs_no_committed_motion_and_everybody_is_back_soon(
    tmp_path: Path,
) -> None:
    outcome = sound(broker.run(len(broker.KINDS), 1, tmp_path))

    assert outcome.noted["longest until all were back, ms"] < 1000 * broker.BACK_S


def test_a_link_that_dies_in_any_way_is_noticed_and_mended(tmp_path: Path) -> None:
    outcome = sound(link.run(len(link.KINDS), 1, tmp_path))

    assert len(outcome.injected) == len(link.KINDS)


def test_presence_is_true_whichever_way_a_board_comes_and_goes(tmp_path: Path) -> None:
    sound(presence.run(4, 1, tmp_path, limits=3))


def test_boards_that_never_read_or_sleep_slow_nobody_and_are_kept_a_bounded_queue(
    tmp_path: Path,
) -> None:
    outcome = sound(slow.run(400, 1, tmp_path, cues=100, slack=20))

    assert 0 < outcome.noted["cues kept for one that was told too many"] <= slow.QUEUED_MAX


def test_damage_to_any_file_lets_the_show_start_and_says_what_is_missing(tmp_path: Path) -> None:
    outcome = sound(damage.run(15, 1, tmp_path))

    assert sum(count for what, count in outcome.noted.items() if what.startswith("told")) > 3


def test_a_log_cut_anywhere_holds_whole_commits_only(tmp_path: Path) -> None:
    sound(torn.run(10, 1, tmp_path))


def test_a_disk_that_fails_at_any_write_leaves_nothing_half_written(tmp_path: Path) -> None:
    outcome = sound(disk.run(2, 1, tmp_path))

    assert outcome.noted["events told to be kept"] > 2 * 400


def test_backed_up_and_ended_with_fifty_listeners_it_stops_in_five_seconds_and_starts_as_it_was(
    tmp_path: Path,
) -> None:
    with House(tmp_path, SHOW) as house:
        server = house.server
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 1000}})
        gate.visitor("gate-mat")
        until(lambda: server.decisions(prop="keeper"), "a decision")
        server.ask("POST", "/api/v1/props/well/hold")
        server.ask("POST", "/api/v1/stop")
        url = f"{server.url}/stream"
        streams = [
            urllib.request.urlopen(urllib.request.Request(url, headers=server.signed), timeout=20)
            for _ in range(50)
        ]
        until(lambda: server.metric("haunt_streams") == 50, "fifty streams")
        made = keeping.back_up(config_of(server.data))  # beside the server, as the command does

        took_s = server.end()
        before = restarts.newest(server.data)
        for each in streams:
            with closing(each):
                each.read()  # to its end: the server closed it

        assert took_s < 3 * restarts.END_S, took_s
        assert made.rows["motions"] == 1
        assert keeping.check_backup(config_of(server.data), made) > 0
        server.start()
        assert server.started_s < 3 * restarts.START_S, server.started_s
        after = until(lambda: restarts.first_after(server.data, before["number"]), "a snapshot")
        assert before["is_last"]
        assert restarts.unexpected(before["memory"], after) == []
        assert restarts.unexpected({"night": {"stopped": True}}, after) != [], "it would show"
        assert server.prop("well")["held_by"]
        assert server.metric("haunt_stopped") == 1
        assert motions(server.data) == 1


def motions(data: Path) -> int:
    with closing(sqlite3.connect(data / "haunt.db")) as connection:
        found: int = connection.execute("SELECT count(*) FROM motions").fetchone()[0]
        return found


def test_a_cue_that_is_kept_late_old_or_said_twice_never_plays() -> None:
    """The firmware is held to its vectors in tests/firmware; here, that they are there."""
    path = Path(__file__).resolve().parents[1] / "vectors" / "board_steps.json"
    names = {each["name"] for each in json.loads(path.read_text()) if "name" in each}

    assert names >= {
        "a retained cue is refused",
        "a repeat is refused while the first plays, after it, and in a later epoch",
        "a cue of an older epoch is refused with the board's epoch",
        "a cue plays at the end of its time to live and not after",
        "a cue before any beat is refused",
        "a cue after a new connection waits for that connection's first beat",
        "a board that boots after a stop is still until it is released",
    }
