"""Goal: changing a setting changes not one byte besides, and is checked like a file.

Method: line by line comparison of the text before and after, over shows written in many ways.
"""

import difflib
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.showedit import Plain, set_value, set_values
from haunt.wire.showerrors import NoSuchTable, ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from tests.wire.shows import FULL, MINIMAL, big

COMMENTED = MINIMAL.replace(
    'board = "gate"\n\n[[prop.',
    'board = "gate"  # left\ncooldown_s = 20  # rest\n\n# what it does\n[[prop.',
).replace("[[link]]", "# --- links ---\n\n# the only one\n[[link]]")


def _read(text: str) -> ReadShow:
    return read_show(text, "my.toml")


def _difference(before: ReadShow, after: ReadShow) -> list[str]:
    lines = difflib.ndiff(before.text.split("\n"), after.text.split("\n"))
    return [line for line in lines if line[0] in "+-"]


@pytest.mark.parametrize(
    ("table", "name", "key", "value", "difference"),
    [
        (
            "prop",
            "gatekeeper",
            "cooldown_s",
            25,
            ["- cooldown_s = 20  # rest", "+ cooldown_s = 25  # rest"],
        ),
        (
            "prop",
            "gatekeeper",
            "cooldown_s",
            7.5,
            ["- cooldown_s = 20  # rest", "+ cooldown_s = 7.5  # rest"],
        ),
        ("prop", "gatekeeper", "cooldown_s", None, ["- cooldown_s = 20  # rest"]),
        ("prop", "gatekeeper", "patience_s", 2, ["+ patience_s = 2"]),
        ("prop", "gatekeeper", "patience_s", None, []),
        ("prop", "gatekeeper", "arm_by_hand", True, ["+ arm_by_hand = true"]),
        ("prop", "gatekeeper", "name", 'The "old" one', ['+ name = "The \\"old\\" one"']),
        ("prop.behaviour", "gatekeeper.growl", "weight", 2, ["+ weight = 2"]),
        ("sensor", "gate-pir", "sees", ["gatekeeper"], ['+ sees = ["gatekeeper"]']),
        (
            "board",
            "gate",
            "battery",
            {"chemistry": "lipo", "series": 2},
            ['+ battery = {chemistry = "lipo", series = 2}'],
        ),
        ("link", 1, "delay_s", 1.5, ["+ delay_s = 1.5"]),
        ("show", None, "name", "Ours", ['+ name = "Ours"']),
        ("stagger", None, "gap_s", 4, ["+ [stagger]", "+ gap_s = 4", "+ "]),
    ],
)
def test_one_setting_is_one_line(
    table: str, name: str | int | None, key: str, value: Plain, difference: list[str]
) -> None:
    before = _read(COMMENTED)
    after = set_value(before, table, name, key, value)
    assert _difference(before, after) == difference


def test_the_new_value_is_in_the_show_and_the_old_show_is_as_it_was() -> None:
    before = _read(COMMENTED)
    after = set_value(before, "prop", "gatekeeper", "cooldown_s", 25)
    assert (before.show.props[0].cooldown_ms, after.show.props[0].cooldown_ms) == (20_000, 25_000)
    assert before.text == COMMENTED
    assert after.file == "my.toml"


def test_a_new_key_comes_before_the_comment_of_the_next_table() -> None:
    text = set_value(_read(COMMENTED), "prop", "gatekeeper", "priority", 2).text
    assert "# rest\npriority = 2\n\n# what it does\n[[prop.behaviour]]" in text


def test_several_settings_change_at_once_or_not_at_all() -> None:
    before = _read(COMMENTED)
    after = set_values(before, "prop", "gatekeeper", {"cooldown_s": 5, "duty": 0.5})
    assert (after.show.props[0].cooldown_ms, after.show.props[0].duty) == (5000, 0.5)
    with pytest.raises(ShowFileRefused) as caught:
        set_values(before, "prop", "gatekeeper", {"cooldown_s": -5, "duty": 5, "colour": "red"})
    assert [fault.key for fault in caught.value.faults] == [
        "prop[gatekeeper].cooldown_s",
        "prop[gatekeeper].duty",
        "prop[gatekeeper].colour",
    ]
    assert before.text == COMMENTED


@pytest.mark.parametrize(
    ("table", "name"),
    [
        ("prop", "owl"),
        ("prop", None),
        ("prop", "gatekeeper.growl"),
        ("prop.behaviour", "gatekeeper"),
        ("prop.behaviour", "gatekeeper.hiss"),
        ("prop.idle", "gatekeeper"),
        ("link", 2),
        ("link", 0),
        ("link", "1"),
        ("phase", 1),
        ("potato", None),
        ("", None),
    ],
)
def test_what_is_not_there_cannot_be_changed(table: str, name: str | int | None) -> None:
    with pytest.raises(NoSuchTable):
        set_value(_read(COMMENTED), table, name, "x_m", 1)


def test_tables_that_stand_apart_stay_where_they_are() -> None:
    text = MINIMAL + (
        '\n[[board]]\nid = "b2"\n[[prop]]\nid = "p2"\nboard = "b2"\n[prop.idle]\nlevel_dba = 30\n'
        '[[prop.behaviour]]\nid = "x"\nduration_s = 1\n'
    )
    before = _read(text)
    after = set_value(before, "prop", "gatekeeper", "cooldown_s", 3)
    assert _difference(before, after) == ["+ cooldown_s = 3"]
    after = set_value(before, "prop.idle", "p2", "level_dba", 35)
    assert _difference(before, after) == ["- level_dba = 30", "+ level_dba = 35"]


WITHOUT_HEADERS = """\
show = { id = "x", time_zone = "UTC" } # head
stagger.gap_s = 3 # gap
board = [{ id = "a" }] # boards
"""


@pytest.mark.parametrize(
    ("table", "name", "key", "value", "line"),
    [
        ("show", None, "name", "X", '+ show = { id = "x", time_zone = "UTC", name = "X"} # head'),
        ("stagger", None, "gap_s", 4, "+ stagger.gap_s = 4 # gap"),
        ("board", "a", "x_m", 1, '+ board = [{ id = "a", x_m = 1}] # boards'),
    ],
)
def test_tables_without_a_header_can_be_changed_too(
    table: str, name: str | None, key: str, value: Plain, line: str
) -> None:
    before = _read(WITHOUT_HEADERS)
    assert line in _difference(before, set_value(before, table, name, key, value))


def test_a_key_with_a_header_of_its_own_is_found_there() -> None:
    before = _read(FULL)
    after = set_value(before, "prop", "gatekeeper", "idle", None)
    assert after.show.props[0].idle is None
    assert "[prop.idle]" not in after.text


def test_a_table_with_a_header_is_taken_out_where_others_stand_apart() -> None:
    before = _read(FULL + '\n[[board]]\nid = "b2"\n')
    after = set_value(before, "prop", "gatekeeper", "idle", None)
    assert [line for line in _difference(before, after) if line.strip("-+ ")] == [
        "- [prop.idle]",
        '- tracks = ["glow"]',
        "- average_ma = 60",
        "- level_dba = 40",
        "- flash_hz = 0",
    ]


@pytest.mark.parametrize("ending", ["", "\n", "\n\n# the end", "  # why"])
def test_the_last_table_may_end_as_it_likes(ending: str) -> None:
    before = _read(MINIMAL.rstrip() + ending)
    after = set_value(before, "link", 1, "delay_s", 1)
    assert after.show.links[0].delay_ms == 1000
    assert all("delay_s" in line for line in _difference(before, after) if line.strip("+- "))


@pytest.mark.parametrize("text", [FULL.replace("\n", "\r\n"), "\ufeff" + FULL])
def test_line_ends_and_mark_of_an_editor_are_kept(text: str) -> None:
    before = _read(text)
    after = set_value(before, "prop", "gatekeeper", "cooldown_s", 7).text
    assert after == text.replace("cooldown_s = 20", "cooldown_s = 7")


paths = st.sampled_from(
    [
        ("show", None),
        ("prop", "gatekeeper"),
        ("prop.behaviour", "gatekeeper.growl"),
        ("link", 1),
        ("sensor", "gate-pir"),
        ("board", "gate"),
        ("limits", None),
        ("timetable", 2),
        ("prop.idle", "gatekeeper"),
    ]
)
values = (
    st.none()
    | st.booleans()
    | st.integers(-3, 400)
    | st.floats(0, 50)
    | st.text(max_size=6)
    | st.lists(st.text(max_size=3), max_size=2)
)
some_keys = st.sampled_from(
    [
        "name",
        "id",
        "x_m",
        "cooldown_s",
        "weight",
        "duration_s",
        "lines",
        "prop",
        "level_dba",
        "pins",
        "battery",
    ]
)


@given(paths, some_keys, values)
def test_any_change_is_made_or_refused(
    path: tuple[str, str | int | None], key: str, value: Plain
) -> None:
    before = _read(FULL)
    try:
        after = set_value(before, *path, key, value)
    except ShowFileRefused as refused:
        told = len(refused.faults)
    else:
        told = 1
        assert _read(after.text).show == after.show
        assert len(_difference(before, after)) <= 2
    assert told >= 1


@pytest.mark.benchmark
def test_a_change_in_a_show_of_200_props_takes_a_fraction_of_a_second() -> None:
    before = _read(big(200))
    started = time.process_time()
    after = set_value(before, "prop", "p150", "cooldown_s", 9)
    took_s = time.process_time() - started
    print(f"changed and validated in {took_s * 1000:.0f} ms")
    assert after.show.props[150].cooldown_ms == 9000
    assert took_s < 0.5
