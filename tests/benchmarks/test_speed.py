"""Goal: speed is kept, told as a ratio to a baseline of the same run.

Method: short runs of the two benchmarks; the limits are three times what they aim at, because a
test machine does other things too. The full figures are taken by running them as scripts.
"""

from pathlib import Path

import pytest

from tests.benchmarks.decisions import baseline, night
from tests.benchmarks.round_trip import compare

pytestmark = pytest.mark.benchmark

P50_AIM, RATE_AIM = 1.3, 0.6
DECISION_AIM = 0.3  # of the rate at which the standard library parses one motion's JSON
SCALE_AIM = 1.2


def test_a_round_trip_costs_little_more_than_a_bare_echo(tmp_path: Path) -> None:
    bare, whole = compare(tmp_path, 2)

    print(f"echo {bare}\nhaunt {whole}")
    assert whole.lost == 0
    assert whole.p50 < 3 * P50_AIM * bare.p50
    assert whole.rate > RATE_AIM / 3 * bare.rate


def test_the_arbiter_decides_faster_than_json_is_parsed_a_third_as_often() -> None:
    parsed = baseline(100_000)
    seconds, decisions = min(night(40, 20_000)[:2] for _ in range(3))

    assert decisions / seconds > DECISION_AIM / 3 * parsed


def test_a_motion_costs_much_the_same_at_a_thousand_props_as_at_ten() -> None:
    few = min(night(10, 20_000)[0] for _ in range(3))
    many = min(night(1000, 20_000)[0] for _ in range(3))

    assert many < 3 * SCALE_AIM * few
