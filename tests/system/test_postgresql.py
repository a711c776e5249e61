"""Goal: on PostgreSQL the night runs, dies and comes back as on a file, and a server of databases
that goes away costs no cue.

Method: the very tests of the main job and of kills, told of a database by the settings; then one in
which PostgreSQL itself is stopped and frozen while motions come.
"""

from pathlib import Path

import pytest

from tests import cluster
from tests.store.stage import bare_url_of
from tests.system import test_endurance, test_main_job, test_nothing_lost
from tests.system.house import SHOW, House, until
from tests.system.test_endurance import WireBoard, _played

pytestmark = pytest.mark.system


@pytest.fixture
def on_postgresql(monkeypatch: pytest.MonkeyPatch) -> str:
    url = bare_url_of("postgresql")
    monkeypatch.setenv("HAUNT_DATABASE", url)
    return url


@pytest.mark.usefixtures("on_postgresql")
def test_the_main_job(tmp_path: Path) -> None:
    test_main_job.test_motion_in_rules_cue_out_and_every_decision_explained(tmp_path, "auto")

    assert not (tmp_path / "data" / "haunt.db").exists()


@pytest.mark.usefixtures("on_postgresql")
def test_killed_twice_in_a_burst_nothing_is_lost_or_played_twice(tmp_path: Path) -> None:
    killed = test_endurance
    killed.test_killed_twice_in_a_burst_every_motion_is_journalled_once_and_no_cue_plays_twice(
        tmp_path
    )


@pytest.mark.usefixtures("on_postgresql")
def test_the_state_before_a_kill_is_the_state_after(tmp_path: Path) -> None:
    test_endurance.test_the_state_before_a_kill_is_the_state_after(tmp_path)


@pytest.mark.usefixtures("on_postgresql")
def test_killed_at_exact_points_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    exact = test_nothing_lost
    exact.test_killed_before_and_after_commit_acknowledgement_and_cue_nothing_is_lost_or_doubled(
        tmp_path
    )


def test_a_database_that_stops_delays_no_cue_is_said_and_is_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = SHOW.replace("cooldown_s = 6", "cooldown_s = 0").replace("gap_s = 2", "gap_s = 0")
    with cluster.of_its_own() as own:
        monkeypatch.setenv("HAUNT_DATABASE", own.url(own.fresh()))
        with House(tmp_path, show) as house:
            server = house.server
            board = WireBoard(server.credential("well"))
            until(lambda: server.prop("well")["here"], "the board to be here")
            board.motion(1)
            until(lambda: len(board.played) == 1, "a cue while it is there")
            own.stop()

            for seq in range(2, 8):
                board.motion(seq)
                until(_played(board, seq), f"cue {seq} without it", 3)
            status, answer = server.ask("GET", "/api/v1/decisions")
            assert status == 503, answer
            assert "database does not answer" in str(answer)
            assert server.ask("POST", "/api/v1/stop")[0] == 200, "stop needs no database"

            own.start()
            until(lambda: server.metric("haunt_journal_backlog") == 0, "all written", 30)
            kept = server.get("/api/v1/motions")["items"]
            lost = server.metric("haunt_not_journalled_total")
            assert len(kept) + lost >= 7
            assert [each["seq"] for each in kept] == sorted({each["seq"] for each in kept})
            board.close()
