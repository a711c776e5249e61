"""Goal: ours is what others published, row by row, and the registry cannot hide a difference.

Method: each row that works itself out is held to its bound, then spoilt, which must be seen; rows
that tests measure are held there, and a missing or unknown one is found by reading the tests.
"""

from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.outside import citations
from tests.outside.citations import ELSEWHERE, Part, parts_of, parts_of_all
from tests.outside.registry import ROWS, family
from tests.outside.rows import NOTES, Proof, Row, Side, spoilt

HERE = [row for row in ROWS.values() if row.ours is not None]


@pytest.fixture(scope="module")
def parts() -> tuple[Part, ...]:
    return parts_of_all()


@pytest.mark.parametrize("row", HERE, ids=lambda row: row.id)
def test_ours_is_what_was_published(row: Row) -> None:
    found = row.measured()
    assert row.holds(found.off), found


@pytest.mark.parametrize("row", HERE, ids=lambda row: row.id)
def test_a_difference_beyond_tolerance_would_be_seen(row: Row) -> None:
    assert not row.holds(spoilt(row).measured().off)


def test_every_row_says_where_its_value_is_from_and_how_it_is_known() -> None:
    for row in ROWS.values():
        assert row.what
        assert len(row.source) >= 4, row.id
        is_told = "memory" in row.source or row.proof is not Proof.MEMORY
        assert is_told or row.id.startswith("workshop/"), row.id
        assert row.proof is Proof.PRACTICE or "no source" not in row.source, row.id
        assert row.proof is not Proof.VERIFIED or "from memory" not in row.source, row.id
    assert {row.proof for row in ROWS.values()} == set(Proof)


def test_every_row_that_a_test_measures_is_measured_by_one(parts: Sequence[Part]) -> None:
    measured = {row for part in parts for row in part.measures}
    assert {name for name, row in ROWS.items() if row.ours is None} - measured == set()


def test_every_name_that_a_test_gives_is_that_of_a_row(parts: Sequence[Part]) -> None:
    named = {row for part in parts for row in part.rows}
    assert named - set(ROWS) == set()
    assert all(family(name) for part in parts for name in part.families)
    assert len(named) > 60


def test_every_citation_in_a_test_has_its_row(parts: Sequence[Part]) -> None:
    """What a test cites it holds to a row itself; what a file cites, somewhere in the file."""
    assert uncovered(parts) == []


def test_a_new_citation_without_a_row_is_found() -> None:
    cited = '"""Goal: x."""\n\ndef test_x() -> None:\n    # RFC 9999 says so\n    assert 2 == 2\n'
    held = cited.replace("assert 2 == 2", 'outside("csv/rows").agrees()')
    imported = "import jsonschema\n\ndef helper() -> None: ...\n"
    assert uncovered(parts_of("x.py", cited)) == ["x.py::test_x cites RFC 9999"]
    assert uncovered(parts_of("x.py", held)) == []
    assert uncovered(parts_of("x.py", imported)) == ["x.py:: cites jsonschema"]


def test_no_exception_outlives_its_reason(parts: Sequence[Part]) -> None:
    citing = {part.path for part in parts if part.cited}
    assert set(ELSEWHERE) - citing == set()
    assert all(len(why) > 6 for why in ELSEWHERE.values())


def uncovered(parts: Sequence[Part]) -> list[str]:
    holding = {part.path for part in parts if part.rows or part.families}
    return [
        f"{part.node} cites {', '.join(sorted(part.cited))}"
        for part in parts
        if part.cited and part.path not in ELSEWHERE
        if not (part.rows or part.families)
        if part.is_test or part.path not in holding
    ]


@pytest.mark.parametrize(
    ("side", "ours", "holds"),
    [
        (Side.ABOUT, 10.5, True),
        (Side.ABOUT, 9.4, False),
        (Side.LEAST, 99.0, True),
        (Side.LEAST, 9.4, False),
        (Side.MOST, 1.0, True),
        (Side.MOST, 10.6, False),
        (Side.ABOUT, float("nan"), False),
    ],
)
def test_a_bound_is_on_the_side_that_counts(*, side: Side, ours: float, holds: bool) -> None:
    row = Row("x", "x", "x", Proof.MEMORY, 0.5, table=((10,),), side=side, ours=lambda: ours)
    assert row.holds(row.measured().off) is holds


def test_a_share_is_of_the_published_value() -> None:
    row = Row("x", "x", "x", Proof.MEMORY, 0.1, table=((200,),), is_share=True)
    row.saw(219)
    with pytest.raises(AssertionError, match="ours 221, published 200"):
        row.saw(221)


def test_of_cases_within_a_bound_the_nearest_is_told() -> None:
    row = Row(
        "x", "x", "x", Proof.MEMORY, table=((1, 4.5), (2, 4.5)), side=Side.LEAST,
        ours=lambda which: {1: 4.6, 2: 9.0}[which],
    )  # fmt: skip
    assert row.measured().ours == 4.6


def test_what_a_test_saw_is_noted_for_the_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = tmp_path / "notes"
    monkeypatch.setenv(NOTES, str(notes))
    row = Row("x", "x", "x", Proof.LIBRARY, 3.0, "sigma")
    row.saw(-2.5)
    row.saw(1.0)
    row.agrees(cases=40)
    with pytest.raises(AssertionError):
        row.saw(3.5)

    from tests.outside.__main__ import read_notes  # noqa: PLC0415 - a command, not a module

    found = read_notes(notes.read_text(encoding="utf-8"))["x"]
    assert (found.cases, found.off) == (42, -2.5)


def test_the_scanner_reads_comments_words_programs_and_commands() -> None:
    text = (
        "import zxingcpp\n\n# ISO 216 says so\nX = 1\n\n\n"
        'def test_a() -> None:\n    """By WCAG."""\n    run(["openssl"])  # a data sheet\n'
    )
    rest, test = citations.parts_of("x.py", text)
    assert rest.cited == {"zxingcpp", "ISO 216"}
    assert test.cited == {"WCAG", "openssl", "data sheet"}
