"""Goal: every key of a TOML text is found on its own line, however oddly it is written.

Method: texts in which a marker value names the line it stands on, and random documents whose paths
are all looked up again.
"""

import tomllib
from collections.abc import Iterator

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.showlines import Path, places_of

TRICKY = {
    "comments and blank lines": "# a = 1\n\n\n  a = 4 # [b]\n# [c]\n[b] # x\n\n\tc = 8\n",
    "tables below tables": "[a.b.c]\nd = 2\n[a]\ne = 4\n[a.b]\nf = 6\n",
    "arrays of tables": "[[a]]\nb = 2\n[[a]]\nb = 4\n[[a.c]]\nd = 6\n[[a.c]]\nd = 8\n[[a]]\n",
    "arrays of tables that stand apart": "[[a]]\nx = 2\n[[b]]\nx = 4\n[[a]]\nx = 6\n[a.s]\ny = 8\n",
    "sub-tables of the last in an array": "[[a]]\n[[a]]\n[a.b]\nc = 4\n[a.b.d]\ne = 6\n",
    "dotted keys": "a.b = 1\na.c.d = 2\n[e]\nf . g = 4\n",
    "quoted keys": '"a.b" = 1\n\'c d\' = 2\n["e\\u0066".\'g\']\n"h\\"" = 4\n',
    "inline tables": "a = { b = 1, c = { d = 1 } }\ne = {}\n[f]\ng = [{ h = 4 }, { h = 4 }]\n",
    "lists over lines": "a = [\n  2,\n  3, # [x]\n\n  [5,\n   6],\n  { b = 7 },\n]\nc = 9\n",
    "text over lines": 'a = """\n[b]\nc = 3 \\"""\n"""\nd = 5\ne = """"x"""""\nf = 7\n',
    "literal text over lines": "a = '''\n[b]\n'c' = 3\n'''\nd = 5\ne = ''''x'''''\nf = 7\n",
    "brackets and hashes in text": 'a = "] # }"\nb = [\'#\', "\\"]"]\nc = { d = \'}\' }\ne = 4\n',
    "windows line ends": "a = 1\r\n[b]\r\nc = [\r\n  4,\r\n]\r\nd = 6\r\n",
    "a byte order mark": "\ufeffa = 1\n[b]\nc = 3\n",
    "dates with a space": "a = 2026-10-31 18:00:00\nb = [2026-10-31 18:00:00, 2]\nc = 3\n",
    "no line end at the end": "a = 1\nb = 2",
    "an empty table at the end": "[a]\nb = 2\n[c]",
}


def _leaves(node: object, path: Path = ()) -> Iterator[tuple[Path, object]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from _leaves(value, (*path, index))
    else:
        yield path, node


@pytest.mark.parametrize("name", TRICKY)
def test_a_number_is_found_on_the_line_that_it_names(name: str) -> None:
    text = TRICKY[name]
    places = places_of(text)
    leaves = list(_leaves(tomllib.loads(text.removeprefix("\ufeff"))))
    for path, value in leaves:
        if type(value) is int:
            assert places.line_of(path) == value, path
    assert {path for path, _ in leaves} <= set(places.offsets)


def test_a_key_that_is_not_there_is_looked_for_at_its_table() -> None:
    places = places_of("[a]\nb = 2\n\n[[c]]\n[[c]]\nd = {\n}\n")
    assert places.line_of(("a", "x")) == 1
    assert places.line_of(("c", 1, "x", 3, "y")) == 5
    assert places.line_of(("c", 1, "d", "x")) == 6
    assert places.line_of(("x",)) == 1
    assert places.line_of(()) == 1


def test_a_table_reaches_from_its_header_to_the_next() -> None:
    text = "a = 1\n[b]\nc = 3\n\n# about d\n[[d]]\n"
    spans = {path: text[start:end] for path, (start, end) in places_of(text).tables.items()}
    assert spans == {
        (): "a = 1\n",
        ("b",): "[b]\nc = 3\n\n# about d\n",
        ("d", 0): "[[d]]\n",
    }


def test_a_list_nested_very_deep_costs_no_stack() -> None:
    text = f"a = {'[' * 5000}{']' * 5000}\nb = 2\n"
    assert places_of(text).line_of(("b",)) == 2


keys = st.text(max_size=6) | st.sampled_from(["a", "b", "a.b", "c#d", 'e"f', "g'h", "[i]"])
scalars = (
    st.integers(-(2**63), 2**63 - 1)
    | st.booleans()
    | st.floats(allow_nan=False)
    | st.text(max_size=8)
    | st.sampled_from(['"""', "'''", "]", "}", "# no", "a = 1\n[b]\n", "\\"])
)
tables = st.recursive(
    st.dictionaries(keys, scalars, max_size=3),
    lambda inner: st.dictionaries(
        keys,
        inner | scalars | st.lists(inner, max_size=3) | st.lists(scalars, max_size=3),
        max_size=3,
    ),
    max_leaves=15,
)


@given(tables)
def test_every_key_of_a_random_document_is_found(table: dict[str, object]) -> None:
    text = tomlkit.dumps(table)
    read = tomllib.loads(text)
    places = places_of(text)
    for path, _ in _leaves(read):
        assert path in places.offsets
        shown = text[places.offsets[path] :]
        if isinstance(path[-1], str) and path[-1].isalpha() and path[-1].isascii():
            assert path[-1] in shown.split("=", 1)[0]
    offsets = [places.offsets[path] for path, _ in _leaves(read)]
    lines = [places.line_of(path) for path, _ in _leaves(read)]
    assert lines == [text.count("\n", 0, offset) + 1 for offset in offsets]
