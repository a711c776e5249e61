"""Goal: a value of the file is the same after it was a text in a form, whatever it is.

Method: values of each kind are turned into texts and back, a table of typed texts besides.
"""

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.site.plan.fields import Field, Kind
from haunt.site.plan.texts import Slip, cleaned, texts_of, value_of
from haunt.site.plan.words import Said
from haunt.wire.showtable import same


def a_field(kind: Kind) -> Field:
    return Field(("key",), kind, Said("Key", "A key."))


def read(kind: Kind, *texts: str) -> Any:
    field = a_field(kind)
    return value_of(field, cleaned(field, list(texts)))


words = st.text(st.characters(codec="utf-8", exclude_characters="=", exclude_categories=("C", "Z")),
                min_size=1, max_size=8)  # fmt: skip
numbers = st.integers(-(10**15), 10**15) | st.floats(-1e12, 1e12, allow_nan=False).map(
    lambda each: round(each, 6)
)


@given(
    st.one_of(
        st.tuples(st.sampled_from([Kind.TEXT, Kind.CHOICE, Kind.REF]), words),
        st.tuples(st.just(Kind.TIME), st.times().map("{:%H:%M}".format)),
        st.tuples(st.just(Kind.NUMBER), numbers),
        st.tuples(st.just(Kind.RANGE), st.lists(numbers, min_size=2, max_size=2)),
        st.tuples(
            st.sampled_from([Kind.LINES, Kind.TRACKS]), st.lists(words, min_size=1, max_size=4)
        ),
        st.tuples(st.just(Kind.TRACKS), st.dictionaries(words, words, min_size=1, max_size=4)),
        st.tuples(
            st.sampled_from([Kind.CHOICES, Kind.REFS]), st.lists(words, min_size=1, max_size=4)
        ),
        st.tuples(st.just(Kind.DATE), st.dates()),
        st.tuples(st.just(Kind.MAYBE), st.booleans()),
    )
)
def test_a_value_is_what_its_texts_say(case: tuple[Kind, Any]) -> None:
    kind, value = case
    field = a_field(kind)

    back = value_of(field, cleaned(field, texts_of(field, value)))

    numbers_too = kind in {Kind.NUMBER, Kind.RANGE}
    assert back == value
    assert numbers_too or same(back, value)


@pytest.mark.parametrize("kind", [each for each in Kind if each is not Kind.RANGE])
def test_an_empty_field_says_nothing(kind: Kind) -> None:
    assert read(kind, "") is None
    assert read(kind, "  \r\n ") is None


@pytest.mark.parametrize(
    ("kind", "texts", "value"),
    [
        (Kind.WHOLE, [" 20 "], 20),
        (Kind.NUMBER, ["-.5"], -0.5),
        (Kind.NUMBER, ["1e3"], 1000.0),
        (Kind.NUMBER, ["2,5"], 2.5),
        (Kind.NUMBER, ["0,125"], 0.125),
        (Kind.NUMBER, ["-13,4050"], -13.405),
        (Kind.NUMBER, ["1,500"], "1,500"),  # the file's checks say what is allowed
        (Kind.NUMBER, ["1,2,3"], "1,2,3"),
        (Kind.TIME, ["7:00"], "07:00"),
        (Kind.TIME, ["17:00"], "17:00"),
        (Kind.TIME, ["sunset+0:20"], "sunset+00:20"),
        (Kind.TIME, ["7 o'clock"], "7 o'clock"),
        (Kind.NUMBER, ["nan"], "nan"),
        (Kind.NUMBER, ["٣"], "٣"),
        (Kind.YES, ["", "yes"], True),
        (Kind.YES, [""], None),
        (Kind.MAYBE, ["no"], False),
        (Kind.DATE, ["2026-10-31"], date(2026, 10, 31)),
        (Kind.DATE, ["31.10."], "31.10."),
        (Kind.LINES, [" a \r\n\r\n b"], ["a", "b"]),
        (Kind.PAIRS, ["pir = 27\neyes=GP4"], {"pir": 27, "eyes": "GP4"}),
        (Kind.RANGE, ["60", "90.5"], [60, 90.5]),
        (Kind.RANGE, ["", ""], None),
        (Kind.RANGE, ["60", ""], [60, 60]),
        (Kind.REFS, ["", "owl", "well"], ["owl", "well"]),
    ],
)  # fmt: skip
def test_what_is_typed_is_read(kind: Kind, texts: list[str], value: Any) -> None:
    assert read(kind, *texts) == value
    assert type(read(kind, *texts)) is type(value)


@pytest.mark.parametrize(
    ("kind", "texts", "said"),
    [
        (Kind.PAIRS, ["pir"], "has the line 'pir'"),
        (Kind.PAIRS, ["a = 1\na = 2"], "has 'a' twice"),
        (Kind.TRACKS, ["voice = growl\neyes"], "has the line 'eyes'"),
        (Kind.RANGE, ["", "3"], "has its second end only"),
    ],
)
def test_what_cannot_be_read_says_how_it_is_written(
    kind: Kind, texts: list[str], said: str
) -> None:
    with pytest.raises(Slip) as caught:
        read(kind, *texts)
    assert caught.value.what == said
    assert caught.value.allowed
