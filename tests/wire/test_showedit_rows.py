"""Goal: rows come, go, are copied and renamed without a byte changed elsewhere, comments and all.

Method: every line of a show gets a comment of its own; what is left, moved or lost is counted.
Random steps on shows written in many ways are held against the standard library's parser.
"""

import difflib
import os
import tomllib
from collections.abc import Iterator
from typing import Any, TypeAlias

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from haunt.wire.showdraft import Draft
from haunt.wire.showedit import (
    add_row,
    copy_prop,
    copy_row,
    remove_row,
    rename,
    set_value,
    set_values,
)
from haunt.wire.showerrors import NoSuchTable, ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showlines import Path
from haunt.wire.showtable import Plain, same
from tests.outside.registry import outside
from tests.wire.shows import FULL, MINIMAL

APART = (
    MINIMAL
    + """
# a second board, far from the first
[[board]]
id = "b2" # two
[board.battery]
chemistry = "lipo"

# ---- its prop

# what stands there
[[prop]]
id = "p2"
board = "b2"
[prop.idle]
level_dba = 30 # hum
[[prop.behaviour]]
id = "x"
duration_s = 1 # short

# points
[[limits.boundary]]
name = "fence"
x_m = 1
y_m = 1
max_level_dba = 60
"""
)
INLINE = """\
show = { id = "x", time_zone = "UTC" } # head
stagger.gap_s = 3 # gap
board = [{ id = "a", battery = {chemistry = "lipo"} }, # one
  { id = "b" }] # boards
prop = [{ id = "p", board = "a", behaviour = [{ id = "x", duration_s = 1 }] }]
limits.boundary = [
  # the near one
  { name = "fence", x_m = 1, y_m = 2, max_level_dba = 60 }, # there
  { name = "wall", x_m = 1, y_m = 2, max_level_dba = 60 },
]
"""
SHOWS = {
    "every-key": FULL,
    "apart": APART,
    "inline": INLINE,
    "crlf": APART.replace("\n", "\r\n"),
    "marked": "\ufeff" + FULL,
    "no-end": MINIMAL.rstrip(),
}


def read(text: str) -> ReadShow:
    return read_show(text, "my.toml")


def numbered(text: str) -> str:
    """The same with a comment of its own at each line that may have one."""
    lines = text.split("\n")
    return "\n".join(f"{line}  # line {n}" if line else line for n, line in enumerate(lines))


def difference(before: ReadShow, after: ReadShow) -> list[str]:
    lines = difflib.ndiff(before.text.split("\n"), after.text.split("\n"))
    return [line for line in lines if line[0] in "+-"]


def test_a_removed_row_goes_with_its_comments_and_one_gap() -> None:
    text = APART.replace("# two", "# two").replace('[[prop]]\nid = "p2"', '[[prop]] # !\nid = "p2"')
    after = remove_row(read(text), "prop", "p2").text

    assert after == text[: text.index("# what stands there")] + text[text.index("# points") :]


def test_every_comment_outside_a_removed_row_is_kept() -> None:
    before = read(numbered(FULL))
    gone = FULL[FULL.index("[[timetable]]") : FULL.rindex("[[timetable]]")].split("\n")

    after = remove_row(before, "timetable", 1)

    kept = {line for line in before.text.split("\n") if line}
    left = {line for line in after.text.split("\n") if line}
    assert left < kept
    assert len(kept - left) == len([line for line in gone if line])


def test_the_heading_of_a_part_of_the_file_outlives_its_rows() -> None:
    text = MINIMAL.replace("[[link]]", "# ---- links ----\n\n# the only one\n[[link]]")

    assert remove_row(read(text), "link", 1).text.rstrip().endswith("# ---- links ----")


def test_a_row_that_is_needed_elsewhere_is_not_removed_alone() -> None:
    with pytest.raises(ShowFileRefused) as caught:
        remove_row(read(FULL), "board", "well")
    assert [fault.key for fault in caught.value.faults] == ["sensor[well-button].board"]


def test_what_names_a_removed_row_goes_along_or_forgets_it() -> None:
    show = remove_row(read(FULL), "sensor", "well-button", with_uses=True).show
    assert [each.sensor for each in show.links] == ["gate-pir"]
    assert show.links[0].after is None
    assert show.links[0].within_ms is None

    show = remove_row(read(FULL), "supply", "psu", with_uses=True).show
    assert show.boards[0].supply is None

    show = remove_row(read(FULL), "prop", "gatekeeper", with_uses=True).show
    assert [each.id for each in show.props] == ["lamp"]
    assert (show.links, show.timetable, show.sensors[0].sees) == ((), (), ())

    show = remove_row(read(FULL), "board", "gate", with_uses=True).show
    assert [each.id for each in show.boards] == ["well"]
    assert [each.id for each in show.sensors] == ["well-button"]

    two = copy_row(read(FULL), "prop.behaviour", "gatekeeper.growl", {"id": "hiss"})
    show = remove_row(two, "prop.behaviour", "gatekeeper.growl", with_uses=True).show
    assert [each.behaviour for each in show.timetable] == [None, None]


def test_a_new_row_comes_after_the_last_of_its_kind() -> None:
    before = read(APART)
    after = add_row(before, "board", None, {"id": "b3", "battery": {"chemistry": "nimh"}})

    assert [line for line in difference(before, after) if len(line) > 2] == [
        "+ [[board]]",
        '+ id = "b3"',
        '+ battery = {chemistry = "nimh"}',
    ]
    assert after.text.index('"b3"') < after.text.index("# ---- its prop")


def test_the_first_row_of_a_kind_comes_at_the_end_and_behaviours_under_headers() -> None:
    behaviour: dict[str, Plain] = {"id": "z", "duration_s": 2}
    prop: dict[str, Plain] = {"id": "p3", "board": "gate", "behaviour": [behaviour]}

    text = add_row(read(MINIMAL), "hazard", None, {"kind": "step", "x_m": 1, "y_m": 2}).text
    assert text == MINIMAL + '\n[[hazard]]\nkind = "step"\nx_m = 1\ny_m = 2\n'
    text = add_row(read(MINIMAL), "prop", None, prop).text
    assert '\n[[prop]]\nid = "p3"\nboard = "gate"\n\n[[prop.behaviour]]\nid = "z"\n' in text
    show = add_row(read(MINIMAL), "prop.behaviour", "gatekeeper", behaviour).show
    assert [each.id for each in show.props[0].behaviours] == ["growl", "z"]


@pytest.mark.parametrize(("table", "around"), [("prop.behaviour", "owl"), ("prop.behaviour", None)])
def test_a_row_cannot_be_added_to_what_is_not_there(table: str, around: str | None) -> None:
    with pytest.raises(NoSuchTable):
        add_row(read(MINIMAL), table, around, {"id": "x", "duration_s": 1})


def test_a_copied_prop_brings_its_behaviours_their_comments_and_where_asked_its_links() -> None:
    before = read(numbered(FULL))
    values: dict[str, Plain] = {"id": "twin", "name": "Twin"}

    alone = copy_prop(before, "gatekeeper", values)
    linked = copy_prop(before, "gatekeeper", values, with_links=True)

    assert [each.id for each in alone.show.props] == ["gatekeeper", "twin", "lamp"]
    assert alone.show.props[1].behaviours == alone.show.props[0].behaviours
    added = [line for line in difference(before, alone) if line.strip("+ ")]
    assert all(line.startswith("+ ") for line in added)
    assert {line.partition("  # ")[0] for line in added} >= {'+ id = "twin"', '+ name = "Twin"'}
    start = before.text.index("[[prop]]")
    own = before.text[start : before.text.index("[[prop]]", start + 1)].split("\n")
    comments = [line.partition("# ")[2] for line in added]
    assert comments == [line.partition("# ")[2] for line in own if line]
    assert len(alone.show.links) == 1
    assert [each.prop for each in linked.show.links] == ["gatekeeper", "twin"]


def test_a_renamed_row_is_called_so_everywhere_and_nowhere_else() -> None:
    before = read(numbered(FULL))

    assert len(difference(before, rename(before, "prop", "gatekeeper", "warden"))) == 2 * 5
    assert len(difference(before, rename(before, "board", "well", "deep"))) == 2 * 2
    assert len(difference(before, rename(before, "regulator", "buck-5v", "lm"))) == 2 * 2
    assert len(difference(before, rename(before, "sensor", "well-button", "bell"))) == 2 * 2
    after = rename(before, "prop.behaviour", "gatekeeper.growl", "snarl")
    assert len(difference(before, after)) == 2 * 2
    assert rename(after, "prop.behaviour", "gatekeeper.snarl", "growl").text == before.text


ONE_ALONE = """
[show]
id = "yard"
time_zone = "UTC"
[[board]]
id = "gate"
[[prop]]
id = "lantern"
board = "gate"
alone = "glow"
[[prop.behaviour]]
id = "glow"
duration_s = 2
[[prop.behaviour]]
id = "spark"
duration_s = 1
"""


def test_what_a_prop_plays_alone_follows_its_behaviour() -> None:
    quiet = "duration_s = 2\nintensity = 1"
    text = ONE_ALONE.replace("duration_s = 2", quiet)
    before = read(text)

    renamed = rename(before, "prop.behaviour", "lantern.glow", "shine")
    assert difference(before, renamed) == [
        '- alone = "glow"', '+ alone = "shine"', '- id = "glow"', '+ id = "shine"',
    ]  # fmt: skip
    assert renamed.show.props[0].alone == "shine"

    gone = remove_row(before, "prop.behaviour", "lantern.glow", with_uses=True)
    assert gone.show.props[0].alone is None


def test_a_name_that_another_has_is_refused() -> None:
    with pytest.raises(ShowFileRefused, match="is 'gate' again"):
        rename(read(FULL), "board", "well", "gate")


def test_a_list_of_points_changes_only_where_it_differs() -> None:
    points: list[Plain] = [
        {"name": "fence", "x_m": 1, "y_m": 2, "max_level_dba": 55},
        {"name": "wall", "x_m": 1, "y_m": 2, "max_level_dba": 60},
    ]
    before = read(INLINE)
    assert difference(before, set_value(before, "limits", None, "boundary", points)) == [
        '-   { name = "fence", x_m = 1, y_m = 2, max_level_dba = 60 }, # there',
        '+   { name = "fence", x_m = 1, y_m = 2, max_level_dba = 55 }, # there',
    ]
    wanted = APART.replace("y_m = 1\nmax_level_dba = 60", "y_m = 2\nmax_level_dba = 55")
    wanted += '\n[[limits.boundary]]\nname = "wall"\nx_m = 1\ny_m = 2\nmax_level_dba = 60\n'
    assert set_value(read(APART), "limits", None, "boundary", points).text == wanted


def test_a_table_that_held_only_others_gets_a_header_before_them() -> None:
    after = set_values(read(APART), "limits", None, {"flash_hz": 3})

    assert "[limits]\nflash_hz = 3\n\n[[limits.boundary]]" in after.text


# --- random steps


def tables_in(node: Any, path: Path = ()) -> Iterator[Path]:
    if isinstance(node, dict):
        yield path
        for key, value in node.items():
            yield from tables_in(value, (*path, key))
    elif isinstance(node, list):
        for number, value in enumerate(node):
            if isinstance(value, dict):
                yield from tables_in(value, (*path, number))


FEW = settings(max_examples=2000 if os.environ.get("HAUNT_LONG") else 30)
Drawn: TypeAlias = "st.SearchStrategy[Plain]"

words: Drawn = st.sampled_from(["a", 'b"q', "ü\\", "x\ny"])
leaves: Drawn = st.one_of(st.integers(0, 99), st.booleans(), words)
lists: Drawn = st.lists(leaves, min_size=1, max_size=2)
values: Drawn = st.one_of(leaves, lists, st.fixed_dictionaries({"k": leaves}))
nothing: Drawn = st.none()
rows: st.SearchStrategy[dict[str, Plain]] = st.fixed_dictionaries(
    {"id": st.just("new"), "name": leaves, "motor": values}
)
keys = st.sampled_from(["id", "name", "x_m", "battery", "motor", "boundary", "idle", "behaviour"])


def step(draft: Draft, data: st.DataObject) -> None:
    paths = [each for each in tables_in(draft.raw) if each and each != ("show",)]
    path = data.draw(st.sampled_from(paths))
    is_row = isinstance(path[-1], int)
    kind = data.draw(st.sampled_from(["put", "remove", *(("copy", "add") if is_row else ())]))
    if kind == "put":
        draft.put(path, data.draw(st.dictionaries(keys, nothing | values, max_size=3)))
    elif kind == "remove":
        draft.remove(path)
    elif kind == "copy":
        draft.copy(path, {"id": "copy"})
    else:
        added = draft.add(path[:-1], data.draw(rows))
        assert draft.at(added)["id"] == "new"


@pytest.mark.parametrize("show", SHOWS)
@FEW
@given(data=st.data())
def test_any_steps_come_to_the_text_of_their_value(show: str, data: st.DataObject) -> None:
    draft = Draft(read(SHOWS[show]))
    for _ in range(data.draw(st.integers(1, 3))):
        step(draft, data)
        assert same(tomllib.loads(draft.text.removeprefix("\ufeff")), draft.raw)
        outside("toml/edits").agrees()


@FEW
@given(data=st.data())
def test_no_step_touches_a_comment_outside_its_row(data: st.DataObject) -> None:
    before = read(numbered(APART))
    draft = Draft(before)
    rows_there = [each for each in tables_in(before.raw) if each and isinstance(each[-1], int)]
    path = data.draw(st.sampled_from(rows_there))

    draft.put(path, {"place": "here"})

    gone = set(before.text.split("\n")) - set(draft.text.split("\n"))
    assert gone == set()
