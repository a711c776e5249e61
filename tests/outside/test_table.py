"""Goal: the table tells every row, honestly, and the file that is kept of it is never stale.

Method: the lines are read back; a row out of bounds is planted; the command is run in-process.
"""

from dataclasses import replace

import pytest

from tests.outside import __main__ as command
from tests.outside import table
from tests.outside.citations import parts_of_all
from tests.outside.registry import ROWS
from tests.outside.rows import Measured


def test_the_kept_file_is_the_table_of_now() -> None:
    """`python -m tests.outside --write` makes it anew."""
    tests = table.measurers(parts_of_all())
    assert table.FILE.read_text(encoding="utf-8") == table.document(tests)


def test_every_row_has_a_line_of_eight_cells_and_its_proof() -> None:
    found = table.lines(table.measured_here(), table.measurers(parts_of_all()))
    assert len(found) == len(table.HEAD) + len(ROWS)
    for row, line in zip(ROWS.values(), found[len(table.HEAD) :], strict=True):
        assert line.count(" | ") == 7, line
        assert line.endswith(f"| {row.proof} |")
        assert (row.ours is not None) or "measured by " in line


def test_a_row_out_of_bounds_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = replace(ROWS["wire/warm"], table=((0.9,),))
    assert command.main(["--quick", "--check"]) == 0
    assert " 0 out of bounds" in capsys.readouterr().out

    monkeypatch.setitem(ROWS, bad.id, bad)
    assert command.main(["--quick", "--check"]) == 1
    assert "1 out of bounds: wire/warm" in capsys.readouterr().out
    assert command.main(["--quick"]) == 0, "without --check it only prints"


def test_a_word_that_is_none_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["--chek"]) == 2
    assert "allowed: --quick, --check, --write" in capsys.readouterr().out


def test_a_measured_row_shows_its_worst_case_and_how_many() -> None:
    seen = {"erlang-b/group": Measured(9, -2.25)}
    [line] = [each for each in table.lines(seen, {}) if "stagger group" in each]
    assert "| 0 sigma |  |" in line
    assert "| -2.2 | 3 | 9 | LIBRARY |" in line or "| -2.3 | 3 | 9 | LIBRARY |" in line
