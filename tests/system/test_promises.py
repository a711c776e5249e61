"""Goal: promises that need no server of their own are kept, at short counts of their long runs.

Method: the runs of tests/soak by name; `python -m tests.soak NAME --count N` does them as often as
one has time for. Each has a judge of its own, and says how much there was to judge.
"""

from pathlib import Path

import pytest

from tests.soak import (
    clocks,
    cues,
    duplicates,
    flood,
    guesses,
    impostors,
    plan,
    strangers,
    timings,
)
from tests.soak.outcome import Outcome


def sound(outcome: Outcome) -> Outcome:
    print(outcome.text())
    assert outcome.failures == []
    return outcome


def test_a_motion_said_often_late_or_after_a_kill_counts_once(tmp_path: Path) -> None:
    outcome = sound(duplicates.run(60, 1, tmp_path))

    assert outcome.injected["copies of them"] > 500
    assert outcome.noted["records forgotten by kills"] > 50


def test_no_cue_plays_late_kept_of_an_older_epoch_or_twice(tmp_path: Path) -> None:
    outcome = sound(cues.run(2000, 1, tmp_path))

    for why in ("late", "retained", "old-epoch", "repeat", "no-beat", "stopped", "plays"):
        assert outcome.noted[f"judged: {why}"] > 10, why


def test_a_wall_clock_that_leaps_changes_no_decision(tmp_path: Path) -> None:
    assert sound(clocks.run(1, 1, tmp_path)).noted["decisions compared"] > 100


@pytest.mark.system
def test_strangers_cannot_use_up_the_broker(tmp_path: Path) -> None:
    outcome = sound(strangers.run(150, 1, tmp_path))

    assert outcome.noted["strangers that were hung up on"] >= 50, "those that claimed to be huge"


@pytest.mark.system
def test_impostors_of_a_board_cost_it_no_cue(tmp_path: Path) -> None:
    outcome = sound(impostors.run(60, 1, tmp_path))

    assert outcome.noted["cues that the board heard"] == 120


@pytest.mark.system
def test_a_flood_of_strangers_costs_nobody_a_cue(tmp_path: Path) -> None:
    outcome = sound(flood.run(1, 1, tmp_path))

    assert outcome.injected["refused"] > 50
    assert outcome.noted["cues timed"] > 5


def test_how_long_a_guess_takes_is_judged_by_a_measure_that_can_tell() -> None:
    """The tries themselves are too few here to judge by: `python -m tests.soak timings` does."""
    assert timings.longer_share([5, 6, 7], [1, 2, 3]) == 1.0
    assert timings.longer_share([1, 4], [2, 3]) == 0.5
    outcome = Outcome()
    timings.judge("processor", {"Known": [60] * 9, "Nobody": [50] * 9}, outcome, must=True)
    assert len(outcome.failures) == 2


@pytest.mark.parametrize("kind", guesses.KINDS)
def test_of_many_guesses_at_a_name_few_are_looked_at(kind: str) -> None:
    outcome = Outcome()
    guesses.on_a_virtual_clock(kind, 4000, 1, outcome)

    sound(outcome)
    assert outcome.noted[f"looked at, {kind}"] > 0


def test_every_run_of_the_plan_is_there_and_can_be_told_how_often() -> None:
    folder = Path(plan.__file__).parent
    for each in plan.TRIALS:
        assert (folder / f"{each.name}.py").is_file(), each.name
        assert each.often > 0
    assert len(plan.BY_NAME) == len(plan.TRIALS)
