"""Goal: whole nights with faults keep every promise, each from its seed alone.

Method: a handful of the seeds that `python -m tests.study.many --seeds 1000` plays for five hours
each, here for half an hour; two of each kind of night.
"""

import pytest

from tests.study.many import Outcome, many, play

SHORT_H = 0.55


@pytest.mark.parametrize("seed", [1, 3, 2, 4])
def test_a_night_from_its_seed_alone_keeps_every_promise(seed: int) -> None:
    outcome = play(seed, SHORT_H)

    assert outcome.wrong == []
    assert outcome.motions > 60
    assert sum(outcome.injected.values()) >= 1


def test_two_processes_play_what_one_plays() -> None:
    [one] = many([5], 0.1, workers=1)
    [other, _] = many([5, 6], 0.1, workers=2)

    assert isinstance(one, Outcome)
    assert one == other
