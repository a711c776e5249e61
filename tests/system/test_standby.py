"""Goal: a second server stands by, says so, and takes over from one that is killed, frozen or cut
off; there are never two that decide.

Method: one fault of each kind on real processes, Mosquitto and PostgreSQL, with motions coming all
the while; `python -m tests.soak standby --count N` makes as many as one has time for.
"""

from pathlib import Path

import pytest

from tests.soak import standby

pytestmark = pytest.mark.system


def test_whoever_runs_the_show_dies_freezes_or_is_cut_off_and_the_other_goes_on(
    tmp_path: Path,
) -> None:
    outcome = standby.run(len(standby.SHORT), 1, tmp_path, standby.SHORT, slack=3)

    print(outcome.text())
    assert outcome.failures == []
    assert set(outcome.injected) == {f"the owner {each}" for each in standby.SHORT}
    assert outcome.noted["cues played"] > 20
