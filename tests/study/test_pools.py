"""Goal: lines come in whole or not at all, odd ones are made of one's own, and judgements stand.

Method: texts with planted faults; an owner's sentences invented here; pools as values.
"""

import pytest

from haunt.study.pools.making import SENTENCES_LEAST, make_lines, too_few
from haunt.study.pools.pool import FROM_FILE, PoolLine, State, followed, standing
from haunt.study.pools.reading import ENTRIES_MAX, Entry, read_lines
from haunt.wire.saying import LINE_CHARS_MAX, line_id, words_in

OWN = (
    "Who walks there, and who walks behind you?",
    "The gate is open, and it was not me who opened it.",
    "The well is deep, and it remembers every name.",
    "The door is open, and nobody is at home.",
    "Nobody leaves by the way they came.",
    "Nobody walks there and remembers the way.",
    "The lantern remembers every shadow.",
    "It was not the wind that opened the door.",
    "Who opened the well, and who is at home?",
)


def row(
    text: str, state: State = State.NEW, *, pending: bool = False, fierce: int | None = None
) -> PoolLine:
    name = line_id(text)
    return PoolLine("gate", "growl", name, text, fierce, state, "import", 7, "Mara", pending)


# --- reading


def test_text_is_one_line_each_with_its_intensity_before_it() -> None:
    found = read_lines("# mine\n\n  Boo!  \n[4] Now.\r\nBoo!\n", "own.txt")

    assert found.entries == (Entry("Boo!"), Entry("Now.", 4))
    assert (found.faults, found.repeated) == ((), 1)


@pytest.mark.parametrize("between", [",", ";", "\t"])
def test_csv_is_told_by_its_columns_whatever_stands_between(between: str) -> None:
    text = between.join(("Line", "intensity", "prop")) + "\n"
    text += (
        between.join(('"Well, well"', "3", "well")) + "\n" + between.join(("Boo!", "", "")) + "\n"
    )

    assert read_lines(text, "pasted").entries == (Entry("Well, well", 3, "well"), Entry("Boo!"))


def test_every_fault_is_named_with_its_line_and_what_is_allowed() -> None:
    text = f"line,intensity\nfine,2\n,3\nloud,9\n{'x' * (LINE_CHARS_MAX + 1)},1\na,1,more\n"

    found = read_lines(text, "own.csv")

    assert [(each.line, each.key) for each in found.faults] == [
        (3, "line"),
        (4, "intensity"),
        (5, "line"),
        (6, "row"),
    ]
    assert str(found.faults[1]) == "own.csv:4: intensity is '9'; allowed: 1 to 5, or nothing"


def test_a_csv_without_the_column_says_which_it_has() -> None:
    [fault] = read_lines("text_of_it,b\nx,y\n", "own.csv").faults

    assert (fault.line, fault.what) == (1, "are text_of_it, b")


@pytest.mark.parametrize(
    ("text", "what"),
    [("", "has no lines"), ("# only this\n", "has no lines"), ("a\x07b", "cannot be printed")],
)
def test_nothing_and_what_cannot_be_said_are_refused(text: str, what: str) -> None:
    assert what in str(read_lines(text, "own.txt").faults[0])


def test_a_quote_that_never_ends_is_a_fault_and_no_crash() -> None:
    assert read_lines('line\n"open', "own.csv").faults


def test_a_file_has_a_bound() -> None:
    text = "\n".join(f"line {n}" for n in range(ENTRIES_MAX + 1))

    [fault] = read_lines(text, "own.txt").faults
    assert str(ENTRIES_MAX) in fault.allowed


# --- making


def test_what_is_made_is_new_says_ones_own_words_and_the_seed_repeats_it() -> None:
    made = make_lines(OWN, 12, 5)

    assert len(made.lines) == len(set(made.lines)) == 12
    assert not set(made.lines) & set(OWN)
    own = {word for each in OWN for word in words_in(each)}
    assert {word for each in made.lines for word in words_in(each)} <= own
    assert all(0 < len(each) <= LINE_CHARS_MAX for each in made.lines)
    assert make_lines(OWN, 12, 5) == made
    assert make_lines(OWN, 12, 6) != made


def test_a_line_that_is_known_is_not_made_again_whatever_its_signs() -> None:
    first = make_lines(OWN, 6, 5).lines

    again = make_lines(OWN, 6, 5, known=[each.upper() + "!!" for each in first]).lines

    assert not {tuple(words_in(e)) for e in first} & {tuple(words_in(e)) for e in again}


def test_sentences_that_share_no_words_give_nothing_and_an_end() -> None:
    apart = [f"a{n} b{n} c{n}" for n in range(10)]

    assert make_lines(apart, 5, 1).lines == ()


def test_too_few_sentences_are_said_in_words() -> None:
    assert "there are 3 own sentences" in too_few(OWN[:3])
    assert too_few(OWN[:SENTENCES_LEAST]) == ""


def test_progress_counts_up_to_the_end() -> None:
    told: list[tuple[int, int]] = []
    make_lines(OWN, 4, 5, progress=lambda done, of: told.append((done, of)))

    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


# --- pools


def test_the_show_file_counts_for_what_stands_in_it() -> None:
    found = standing("gate", "growl", ["Boo!", "[3] Now.", "[?] Odd."], [row("Now.", State.KEPT)])

    assert [(e.text, e.state, e.intensity, e.source) for e in found] == [
        ("Boo!", State.KEPT, None, FROM_FILE),
        ("Odd.", State.NEW, None, FROM_FILE),
        ("Now.", State.KEPT, 3, "import"),
    ]


def test_a_judgement_that_the_file_does_not_follow_yet_counts() -> None:
    [found] = standing("gate", "growl", ["Boo!"], [row("Boo!", State.STRUCK, pending=True)])

    assert found.state is State.STRUCK


def test_what_somebody_took_out_of_the_file_is_struck() -> None:
    [found] = standing("gate", "growl", [], [row("Boo!", State.KEPT)])

    assert found.state is State.STRUCK


def test_the_file_follows_judgements_and_keeps_all_else_as_it_is() -> None:
    rows = [
        row("Kept.", State.KEPT, fierce=4),
        row("Boo!", State.STRUCK),
        row("Fresh."),
        row("Odd.", State.KEPT),
    ]

    wanted = followed(["By hand.", "Boo!", "[?] Odd."], rows, gibberish=False)

    assert wanted == ["By hand.", "Odd.", "[4] Kept."]


def test_where_gibberish_is_welcome_new_lines_are_said_and_marked() -> None:
    rows = [row("Fresh.", fierce=2), row("No.", State.STRUCK)]

    assert followed(["By hand."], rows, gibberish=True) == ["By hand.", "[2?] Fresh."]
