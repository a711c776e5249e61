"""Goal: a simulated night stays fast, and an idle board costs next to nothing.

Method: short nights as `python -m tests.benchmarks.nights` plays whole ones, told as ratios to a
baseline of the same run; the limits are three times what was measured on a quiet machine.
"""

import pytest

from haunt.study.faults import NONE, ROUGH
from tests.benchmarks.nights import baseline, simulated

pytestmark = pytest.mark.benchmark

PARSES_A_MESSAGE = 50.0
"""One message of a board, with all that comes of it on every side, in parses of one motion."""
PARSES_A_BOARD_AND_SECOND = 12.0
"""A board that nobody passes: a fifth of a health message and half a beat."""


def test_a_message_of_a_rough_night_costs_some_dozen_parses_of_a_motion() -> None:
    parses = baseline(100_000)
    night = simulated(40, 0.25, ROUGH)

    print(
        f"{night.whole_night_s:.1f} s for a night of 5 h, "
        f"{night.taken_s / night.messages * parses:.0f}"
    )
    assert night.taken_s * parses / night.messages < 3 * PARSES_A_MESSAGE


def test_a_board_that_nobody_passes_costs_next_to_nothing() -> None:
    parses, seconds = baseline(100_000), 900
    few = simulated(8, seconds / 3600, NONE, props_a_board=1, groups=0)
    many = simulated(48, seconds / 3600, NONE, props_a_board=1, groups=0)

    more = (many.taken_s - few.taken_s) / ((many.boards - few.boards) * seconds)

    print(f"{more * 1e6:.1f} us a board and second, {more * parses:.1f} parses")
    assert more * parses < 3 * PARSES_A_BOARD_AND_SECOND
