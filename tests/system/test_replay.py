"""Goal: a night that really was, with all that people did and a kill in it, decides itself again.

Method: the real server and boards for some seconds; then `haunt replay` on its journal, and once
more after one decision in it was changed.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cluster import change
from tests.system.house import SHOW, House, typed, until

pytestmark = pytest.mark.system


def replayed(data: Path) -> tuple[int, dict[str, Any]]:
    done = typed("replay", "--data", str(data), "--json")
    assert done.stdout, done.stderr
    return done.exit_code, json.loads(done.stdout)


@pytest.mark.usefixtures("either_database")
def test_a_night_with_a_stop_a_change_and_a_kill_decides_itself_again(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        server = house.server
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 1000}})
        well = house.board("well", ("well-mat",), {"well": {"bubble": 1000}})
        gate.visitor("gate-mat")
        well.visitor("well-mat")
        until(lambda: server.decisions(prop="well"), "the well's decision")
        assert server.ask("POST", "/api/v1/props/keeper/hold", {"for_s": 2})[0] == 200
        gate.visitor("gate-mat")
        until(lambda: server.decisions(prop="keeper", outcome="refused"), "a refusal")
        assert server.ask("PATCH", "/api/v1/props/keeper", {"cooldown_s": 1})[0] == 200
        server.kill()
        server.start()
        until(lambda: server.prop("well")["here"], "the boards to be back")
        assert server.ask("POST", "/api/v1/stop")[0] == 200
        gate.visitor("gate-mat")
        until(lambda: server.decisions(reason="stopped"), "the refusal of a stopped show")
        server.end()

        code, told = replayed(server.data)

    assert (code, told["differs"]) == (0, [])
    assert told["decisions"] >= 4

    change(server.data, "UPDATE decisions SET margin = margin + 1 WHERE reason = 'held'")
    code, told = replayed(server.data)

    assert code == 1
    assert "differs" in told["differs"][0]
    assert "Refused: held" in told["differs"][1]
