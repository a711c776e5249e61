"""Goal: a show file is taken whole or refused whole, with every fault on its line in plain words.

Method: texts whose faulty lines end in `# !`, read once and compared line by line; the values of a
file with every key; round trips over random shows; arbitrary and spoiled text.
"""

import json
import time
import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.core.clockwork import TimeOfDay
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showfile import (
    SHOW_CHARS_MAX,
    ReadShow,
    read_show,
    show_from_json,
    show_to_json,
    show_to_toml,
)
from haunt.wire.showmodels import ShowFile
from tests.wire.shows import FULL, MINIMAL, big, spoiled

MARK = "# !"
SPOILED = spoiled()


def _refused(text: str) -> tuple[Fault, ...]:
    with pytest.raises(ShowFileRefused) as caught:
        read_show(text, "my.toml")
    return caught.value.faults


def _read_or_refused(text: str) -> ReadShow | ShowFileRefused:
    try:
        return read_show(text, "my.toml")
    except ShowFileRefused as refused:
        return refused


@pytest.mark.parametrize("name", SPOILED)
def test_a_fault_is_named_on_its_own_line(name: str) -> None:
    part, said = SPOILED[name]
    text = f"{MINIMAL}\n{part}\n"
    faults = _refused(text)
    marked = [
        number
        for number, line in enumerate(text.split("\n"), start=1)
        for _ in range(line.count("!") if MARK in line else 0)
    ]
    assert [fault.line for fault in faults] == marked, "\n".join(map(str, faults))
    everything = "\n".join(f"{f.key} {f.what}; allowed: {f.allowed}" for f in faults)
    for words in said:
        assert words in everything
    assert all(fault.file == "my.toml" and fault.allowed for fault in faults)


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ('time_zone = "UTC"', "show.id is missing"),
        ('id = "x"', "show.time_zone is missing"),
        ('id = "x"\ntime_zone = "Europe/Berln"', "the nearest is Europe/Berlin"),
        ('id = "x"\ntime_zone = "America"', "an IANA name such as"),
        ('id = "x"\ntime_zone = "../etc/passwd"', "an IANA name such as"),
        (
            'id = "x"\ntime_zone = "UTC"\nlatitude = 91\nlongitude = 0',
            "latitude is 91; allowed: at most",
        ),
        ('id = "x"\ntime_zone = "UTC"\nlatitude = 9\nlongitude = -181', "longitude is -181"),
        ('id = "x"\ntime_zone = "UTC"\nlatitude = 9', "latitude stands without longitude"),
        ('id = "x"\ntime_zone = "UTC"\nlongitude = 9', "longitude stands without latitude"),
        ('id = "x"\ntime_zone = "UTC"\nwalking_speed_m_s = 0', "walking_speed_m_s is 0"),
    ],
)
def test_the_head_of_the_show_is_checked(head: str, words: str) -> None:
    (fault,) = _refused(f"[show]\n{head}\n")
    assert words in str(fault)


def test_a_sunset_is_fine_where_the_show_has_a_place_on_earth() -> None:
    text = MINIMAL.replace("[[board]]", "latitude = 52\nlongitude = 13\n\n[[board]]", 1)
    read = read_show(f'{text}[[quiet]]\nfrom = "sunset-00:30"\nto = "06:00"\n', "my.toml")
    assert read.show.quiet[0].start == TimeOfDay(-30, from_sunset=True)


def test_all_faults_are_listed_at_once_in_the_order_of_the_file() -> None:
    everything = "\n".join(text for name, (text, _) in SPOILED.items() if name != "unknown circuit")
    faults = _refused(f"{MINIMAL}\n{everything}\n")
    assert len(faults) > 70
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)
    assert len(set(faults)) == len(faults)


def test_a_refusal_reads_as_one_line_for_each_fault() -> None:
    with pytest.raises(ShowFileRefused) as caught:
        read_show(MINIMAL.replace('"UTC"', '"Mars"').replace("6.5", "-2"), "my.toml")
    zone, duration = str(caught.value).split("\n")
    assert zone == (
        "my.toml:3: show.time_zone is 'Mars'; allowed: an IANA name such as Europe/Berlin or "
        "America/New_York"
    )
    assert duration == (
        "my.toml:18: prop[gatekeeper].behaviour[growl].duration_s is -2; allowed: seconds from "
        "more than 0 to 3600, with at most three decimals"
    )


def test_tables_of_the_wrong_shape_are_faults() -> None:
    faults = _refused(
        f"stagger = 3\nprop = [7]\nlink = {{ x = 1 }}\n{MINIMAL.split('[[board]]')[0]}"
    )
    assert [str(fault) for fault in faults] == [
        "my.toml:1: stagger is 3; allowed: a table of keys",
        "my.toml:2: prop[1] is 7; allowed: a table of keys",
        "my.toml:3: link is a table of keys; allowed: a list, each under [[link]]",
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", 1),
        ("[show\n", 1),
        ('[show]\nid = "x\n', 2),
        ("a = 1\na = 2\n", 2),
        ("[show]\n[show]\n", 2),
        ("a = [1,\n2,\n\n", 4),
        ('a = """\n\n', 3),
        ("a = 1\nb = nonsense\n", 2),
        (f"a = {'[' * 30000}", 1),
        (f"a = {'9' * 5000}\n", 1),
        ("a = \x00", 1),
    ],
)
def test_what_is_no_toml_is_refused_with_its_line(text: str, line: int) -> None:
    faults = _refused(text)
    assert [fault.line for fault in faults] == [line]


def test_a_file_too_long_is_refused_unread() -> None:
    (fault,) = _refused("#" * (SHOW_CHARS_MAX + 1))
    assert fault.allowed == f"at most {SHOW_CHARS_MAX}"


def test_the_smallest_file_is_taken_with_the_defaults() -> None:
    show = read_show(MINIMAL, "my.toml").show
    prop, sensor = show.props[0], show.sensors[0]
    assert (show.info.walking_speed_m_s, show.info.name, show.nights) == (0.8, None, ())
    assert (sensor.kind, sensor.warm_up_ms, sensor.block_ms, sensor.lull_ms) == ("pir", 0, 0, None)
    assert (sensor.lull_max_ms, sensor.settle_ms, sensor.fresh_ms) == (45_000, 0, 2_000)
    assert (prop.cooldown_ms, prop.priority, prop.patience_ms, prop.duty) == (0, 0, None, None)
    assert (prop.behaviours[0].duration_ms, prop.behaviours[0].weight) == (6500, 1)
    assert (show.stagger.radius_m, show.limits.flash_hz, show.limits.boundary) == (None, None, ())


def test_a_show_of_only_a_head_is_a_show() -> None:
    assert read_show('[show]\nid = "x"\ntime_zone = "UTC"\n', "my.toml").show.boards == ()


def test_every_key_is_read_into_whole_milliseconds_and_times_of_day() -> None:
    show = read_show(FULL, "my.toml").show
    prop, sensor, link = show.props[0], show.sensors[0], show.links[0]
    growl = prop.behaviours[0]
    assert (show.nights[0].date, show.nights[0].last_group_min) == (date(2026, 10, 31), 15)
    assert show.nights[0].opens == TimeOfDay(20, from_sunset=True)
    assert show.nights[0].closes == TimeOfDay(21 * 60 + 30)
    assert show.phases[0].end == TimeOfDay(60, from_sunset=True)
    assert (show.stagger.gap_ms, show.limits.patience_ms) == (2500, 3000)
    assert (sensor.warm_up_ms, sensor.settle_ms, sensor.sees) == (45_000, 1500, ("gatekeeper",))
    assert (prop.cooldown_ms, prop.patience_ms) == (20_000, 2500)
    assert (growl.duration_ms, growl.motor_on_ms, growl.patience_ms) == (6500, 4000, 1500)
    assert (link.delay_ms, link.within_ms) == (400, 20_000)
    assert show.timetable[1].every_ms == (60_000, 90_500)
    assert show.timetable[1].start == TimeOfDay(-30, from_sunset=True)
    assert (show.boards[1].battery and show.boards[1].battery.chemistry) == "lipo"
    assert show.sensors[1].kind == "button"
    assert show.boards[0].pins == {"pir": 27, "eyes": "gp16"}


def test_the_full_file_has_every_key_of_every_table() -> None:
    written = _key_names(tomllib.loads(FULL))
    schema = ShowFile.model_json_schema(by_alias=True)
    tables = [schema, *schema["$defs"].values()]
    known = {key for table in tables for key in table.get("properties", {})}
    assert len(known) > 90
    assert known - written == set()


def _key_names(node: object) -> set[str]:
    if isinstance(node, dict):
        return set(node) | {key for value in node.values() for key in _key_names(value)}
    if isinstance(node, list):
        return {key for value in node for key in _key_names(value)}
    return set()


@pytest.mark.parametrize(
    "text", [MINIMAL, FULL, big(3), MINIMAL.replace("\n", "\r\n"), "\ufeff" + FULL]
)
def test_an_unchanged_show_is_written_byte_by_byte(text: str) -> None:
    assert read_show(text, "my.toml").text == text


@pytest.mark.parametrize("text", [MINIMAL, FULL, big(3)])
def test_a_show_goes_through_json_and_toml_and_stays_the_same(text: str) -> None:
    show = read_show(text, "my.toml").show
    plain = show_to_json(show)
    assert show_from_json(json.loads(json.dumps(plain))) == show
    again = read_show(show_to_toml(show), "again.toml").show
    assert again == show
    assert show_to_json(again) == plain


def test_json_says_what_the_file_says_and_no_more() -> None:
    plain = show_to_json(read_show(MINIMAL, "my.toml").show)
    assert plain["prop"] == [
        {"id": "gatekeeper", "board": "gate", "behaviour": [{"id": "growl", "duration_s": 6.5}]}
    ]
    assert set(plain) == {"show", "board", "sensor", "prop", "link"}
    assert show_to_json(read_show(FULL, "my.toml").show)["prop"][0]["cooldown_s"] == 20


@pytest.mark.parametrize("obj", [None, [], "x", 3])
def test_json_that_is_no_object_is_refused(obj: object) -> None:
    with pytest.raises(ShowFileRefused, match="is no object"):
        show_from_json(obj)


def test_faults_in_json_have_a_key_and_no_line() -> None:
    plain = show_to_json(read_show(MINIMAL, "my.toml").show)
    plain["prop"][0]["cooldown_s"] = -1
    plain["link"][0]["prop"] = "owl"
    with pytest.raises(ShowFileRefused) as caught:
        show_from_json(plain)
    assert [(fault.line, fault.key) for fault in caught.value.faults] == [
        (0, "prop[gatekeeper].cooldown_s"),
        (0, "link[1].prop"),
    ]
    assert str(caught.value.faults[1]).startswith("show: link[1].prop is 'owl'")


def test_a_wrong_name_is_compared_with_others_only_so_often() -> None:
    links = "".join(f'[[link]]\nsensor = "s{n}"\nprop = "gatekeepr"\n' for n in range(300))
    faults = _refused(f"{MINIMAL}{links}")
    assert len(faults) == 600
    assert sum("nearest" in fault.allowed for fault in faults) <= 100


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=8,
)
TABLES = list(tomllib.loads(FULL))
FULL_JSON = show_to_json(read_show(FULL, "my.toml").show)


@given(st.dictionaries(st.sampled_from(TABLES), json_values))
def test_any_json_is_taken_or_refused(obj: dict[str, object]) -> None:
    with pytest.raises(ShowFileRefused):
        show_from_json(obj)


@given(st.data())
def test_one_wrong_value_anywhere_is_a_refusal_or_another_valid_show(data: st.DataObject) -> None:
    obj = json.loads(json.dumps(FULL_JSON))
    node = obj
    while isinstance(node, dict | list) and node:
        steps = list(node) if isinstance(node, dict) else range(len(node))
        step = data.draw(st.sampled_from(steps))
        if not isinstance(node[step], dict | list) or data.draw(st.integers(0, 3)) == 0:
            node[step] = data.draw(json_values)
            break
        node = node[step]
    try:
        show = show_from_json(obj)
    except ShowFileRefused as refused:
        shown = str(refused)
    else:
        shown = ""
        assert show_from_json(show_to_json(show)) == show
    assert shown.replace("\n", "").isprintable()


@given(st.integers(0, len(FULL) - 1), st.integers(0, 12), st.text(max_size=4))
def test_spoiled_text_is_refused_or_is_another_valid_show(at: int, cut: int, put: str) -> None:
    text = FULL[:at] + put + FULL[at + cut :]
    read = _read_or_refused(text)
    if isinstance(read, ReadShow):
        assert read_show(read.text, "my.toml").show == read.show
    else:
        assert all(1 <= fault.line <= text.count("\n") + 1 for fault in read.faults)


@pytest.mark.parametrize("value", ["0x" + "f" * 6000, "-1e400", "1979-05-27", "[[[]]]", "{}", "''"])
@pytest.mark.parametrize("key", ["duration_s", "id", "weight", "motor_on_s", "lines", "tracks"])
def test_odd_values_of_toml_are_faults_and_nothing_worse(key: str, value: str) -> None:
    text = MINIMAL.replace("duration_s = 6.5", f"duration_s = 6.5\n{key} = {value}")
    if key in ("duration_s", "id"):
        text = text.replace("duration_s = 6.5\n" if key == "duration_s" else 'id = "growl"\n', "")
    read = _read_or_refused(text)
    assert isinstance(read, ShowFileRefused) or (key, value) == ("tracks", "{}")


@pytest.mark.benchmark
def test_a_show_of_200_props_is_read_in_well_under_half_a_second() -> None:
    text = big(200)
    started = time.process_time()
    read = read_show(text, "big.toml")
    took_s = time.process_time() - started
    print(f"read and validated in {took_s * 1000:.0f} ms")
    assert len(read.show.props) == 200
    assert took_s < 0.5


def test_a_row_of_the_timetable_comes_once_a_minute_at_most() -> None:
    text = f'{MINIMAL}[[timetable]]\nprop = "gatekeeper"\nevery_s = [20, 90]\n'
    fault = _refused(text)[0]
    assert (fault.key, fault.what) == ("timetable[1].every_s[1]", "is 20 s")
    assert "at least 60 s" in fault.allowed
    read_show(text.replace("[20,", "[60,"), "my.toml")


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ('alone = "sway"', "is sway, which runs a motor"),
        ('alone = "hum"', "hum"),
        ('alone = "glow"\narm_by_hand = true', "is of a prop that is armed by hand"),
    ],
)
def test_alone_plays_only_what_is_there_and_moves_nothing(more: str, what: str) -> None:
    text = f"""
[show]
id = "yard"
time_zone = "UTC"
[[board]]
id = "gate"
[[prop]]
id = "owl"
board = "gate"
{more}
[[prop.behaviour]]
id = "glow"
duration_s = 4
[[prop.behaviour]]
id = "sway"
duration_s = 4
motor_on_s = 2
"""
    with pytest.raises(ShowFileRefused) as refused:
        read_show(text, "yard.toml")

    [fault] = refused.value.faults
    assert fault.key == "prop[owl].alone"
    assert what in fault.what
