"""Goal: the sums agree with what others have published, and the table says so honestly.

Method: one list (`outside.py`), each value with its source, tolerance and proof; the test walks it.
"""

from dataclasses import replace

import pytest

from haunt.workshop.pack import charge_percent, open_circuit_mv
from tests.outside.rows import Proof
from tests.workshop.curves import SETS
from tests.workshop.outside import CHECKS, Outside
from tests.workshop.table import rows


@pytest.mark.parametrize("check", CHECKS, ids=lambda each: f"{each.what} ({each.source})")
def test_a_sum_agrees_with_what_others_published(check: Outside) -> None:
    assert check.source
    assert check.holds, f"ours {check.ours:.6g}, theirs {check.value:.6g} +- {check.tolerance:.2g}"


def test_a_value_out_of_tolerance_would_be_seen() -> None:
    wrong = replace(CHECKS[0], value=CHECKS[0].value + 2 * CHECKS[0].tolerance + 1)
    assert not wrong.holds


def test_the_table_has_a_row_for_each_value_and_its_proof() -> None:
    _head, _rule, *found = rows()
    assert len(found) == len(CHECKS) > 100
    proofs = set(Proof) - {Proof.OPEN_DATA}
    assert all(any(f"| {proof} |" in row for row in found) for proof in proofs)
    assert all(each.proof is not Proof.VERIFIED for each in CHECKS if "practice" in each.source)


@pytest.mark.parametrize("chemistry", SETS)
def test_charge_and_voltage_lead_back_to_each_other(chemistry: str) -> None:
    for percent in range(0, 101, 5):
        mv = open_circuit_mv(chemistry, 3, percent)
        assert mv is not None
        # A millivolt on the flat part of the iron curve is worth several points.
        off = 6 if chemistry == "lfp" else 1
        assert charge_percent(chemistry, 3, mv) == pytest.approx(percent, abs=off)
