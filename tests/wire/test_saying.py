"""Goal: a line of a show file is read and spelt the same way back, and its words are found.

Method: entries by hand, and a property over drawn lines.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.saying import Spoken, is_barred, line_id, read_line, words_in, write_line

TEXTS = st.text(st.characters(min_codepoint=32, exclude_categories=("C", "Z")), min_size=1)


@pytest.mark.parametrize(
    ("entry", "wanted"),
    [
        ("Who walks there?", Spoken("Who walks there?")),
        ("[4] I know your name", Spoken("I know your name", 4)),
        ("[?] odd", Spoken("odd", None, unheard=True)),
        ("[2?] odd", Spoken("odd", 2, unheard=True)),
        ("[6] not of the scale", Spoken("[6] not of the scale")),
        ("[] nothing in it", Spoken("[] nothing in it")),
        ("[4]no room", Spoken("[4]no room")),
        ("[4] ", Spoken("[4] ")),
    ],
)
def test_a_mark_before_a_line_is_its_intensity_and_all_else_is_words(
    entry: str, wanted: Spoken
) -> None:
    assert read_line(entry) == wanted


@given(TEXTS, st.none() | st.integers(1, 5), st.booleans())
def test_what_is_spelt_is_read_again(text: str, intensity: int | None, unheard: bool) -> None:
    line = Spoken(text, intensity, unheard)

    if read_line(text) == Spoken(text):  # else its own words would begin with a mark
        assert read_line(write_line(line)) == line


def test_words_have_one_name_for_ever() -> None:
    # SHA-256 of the UTF-8 bytes, its first 12 digits: sha256sum says the same
    assert line_id("Boo!") == "bb88a220ed4d"
    assert line_id("Boo!") != line_id("Boo")


def test_words_are_told_whole_in_any_case_of_letters() -> None:
    assert words_in("Don't — STOP, élan 3!") == ["don't", "stop", "élan", "3"]
    assert is_barred("A Grave matter", frozenset({"grave"}))
    assert not is_barred("engraved", frozenset({"grave"}))
    assert not is_barred("A grave", frozenset())
