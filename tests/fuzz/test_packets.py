"""Goal: broken packets end neither the kept broker nor our own end of the line, nor make them grow.

Method: good packets, mutated by a seed, over real sockets; afterwards a message must go through.
More by `python -m tests.soak packets --count N`.
"""

from pathlib import Path

import pytest

from tests.fuzz.packets import at_our_end, at_the_broker
from tests.mqtt.stage import MOSQUITTO

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


def test_broken_packets_cost_the_board_beside_no_cue(tmp_path: Path) -> None:
    outcome = at_the_broker(600, 1, tmp_path)

    assert outcome.failures == []
    assert outcome.injected["mutated packets to the broker"] == 600


def test_a_broker_gone_mad_does_not_end_our_pump(tmp_path: Path) -> None:
    outcome = at_our_end(400, 1, tmp_path)

    assert outcome.failures == []
    assert outcome.injected["mutated packets to the client"] >= 400
