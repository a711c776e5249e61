"""Goal: a stop reaches every board soon whatever goes wrong, and stays one whatever is restarted.

Method: the run of tests/soak/stop.py on real processes, real Mosquitto and the real firmware: once
by the page with everything wrong at once, then two of the twelve ways of restarting. The limit is
three times a second here; `python -m tests.soak stop` holds one second and tries all ways.
"""

from pathlib import Path

import pytest

from tests.soak import stop

pytestmark = pytest.mark.system

ORDERS = (("server", "broker", "boards"), ("boards", "broker", "server"))


def test_a_stop_under_fire_is_heard_by_all_and_outlives_every_restart(tmp_path: Path) -> None:
    outcome = stop.run(
        1, 1, tmp_path, within_s=3 * stop.STOP_S, orders=ORDERS, orders_each=2, pause_s=0.7
    )
    print(outcome.text())

    assert outcome.failures == []
    assert outcome.noted["boards made still"] == len(stop.BOARDS)
    assert outcome.noted["motions in the storms"] > 500
    assert [each for each in outcome.injected if each.startswith("restarted")] == [
        "restarted one by one: server, broker, boards"
    ]
    assert [each for each in outcome.injected if each.startswith("all down")] == [
        "all down, then up: boards, broker, server"
    ]
