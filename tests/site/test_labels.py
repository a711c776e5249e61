"""Goal: a printed label leads to its prop by any phone, its words can be read and searched.

Method: the PDF is rendered by pdfium and its codes are decoded by zxing, as a camera would; the
page and the command line are asked like a browser and a shell.
"""

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from haunt.bootstrap.press import NAMED
from haunt.cli import app
from haunt.site.paper.ink import PAPERS, Ink, Room, Type
from haunt.site.paper.labels import GRIDS, Label, label_sheets, labels_of
from haunt.store.engines import open_engines
from haunt.store.writer import Writer
from haunt.wire.showfile import read_show
from haunt.workshop.cautions import CAUTIONS, DECIDES, Topic
from tests.outside.registry import outside
from tests.site.map.garden import a_garden, example
from tests.site.paper import Seen, seen

BASE = "http://haunt.local:8080"
NOON = datetime(2026, 10, 31, 12, tzinfo=UTC)
GARDEN = read_show(example(), "show").show


def flat(text: str) -> str:
    return " ".join(text.split())


def a_label(**more: object) -> Label:
    plain = Label("prop", "owl", f"{BASE}/props/owl", "Tin owl", "pear tree", ("Board: b",), ())
    return replace(plain, **more)  # type: ignore[arg-type]


def printed(*labels: Label, paper: str = "a4") -> list[Seen]:
    return seen(label_sheets(labels, PAPERS[paper], "Labels", NOON).pdf)


@pytest.fixture(scope="module", params=["a4", "letter"])
def sheets(request: pytest.FixtureRequest) -> tuple[str, list[Seen]]:
    paper: str = request.param
    made = label_sheets(labels_of(GARDEN, BASE), PAPERS[paper], "Labels", NOON)
    return paper, seen(made.pdf)


def test_every_prop_and_board_has_a_code_that_a_camera_reads(
    sheets: tuple[str, list[Seen]],
) -> None:
    words = [each for sheet in sheets[1] for each in sheet.words]
    props = {f"{BASE}/props/{each.id}" for each in GARDEN.props}
    boards = {f"{BASE}/boards/{each.id}" for each in GARDEN.boards}
    assert sorted(words) == sorted(props | boards)
    outside("codes/labels").agrees(cases=len(words))


def test_labels_fill_sheets_of_the_right_size_by_the_grid(sheets: tuple[str, list[Seen]]) -> None:
    """Two by four on A4 and two by five on Letter."""
    paper, pages = sheets
    a_sheet, size = outside("paper/labels").published(paper), outside("paper/sizes").published
    assert len(pages) == -(-18 // a_sheet)
    for page in pages:
        outside("paper/sizes").saw(page.width_mm, size(paper, "width"))
        outside("paper/sizes").saw(page.height_mm, size(paper, "height"))
    outside("paper/labels").saw(len(pages[0].codes), a_sheet)
    rooms = list(GRIDS[paper].rooms())
    for _, x, y, wide in pages[0].codes:
        (room,) = [
            each
            for each in rooms
            if each.x <= x <= x + wide <= each.x + each.width
            and each.y <= y <= each.y + each.height
        ]
        assert y + wide <= room.y + room.height
        outside("paper/code-size").saw(wide)


def test_rooms_of_a_sheet_lie_side_by_side_on_the_paper() -> None:
    for name, grid in GRIDS.items():
        rooms = list(grid.rooms())
        assert len(rooms) == grid.columns * grid.rows
        for each in rooms:
            assert each.x >= 0
            assert each.x + each.width <= PAPERS[name].width
            assert each.y + each.height <= PAPERS[name].height
        across, down = rooms[1], rooms[grid.columns]
        assert across.x >= rooms[0].x + grid.width
        assert down.y >= rooms[0].y + grid.height


def test_words_on_labels_can_be_searched(sheets: tuple[str, list[Seen]]) -> None:
    text = flat(" ".join(each.text for each in sheets[1]))
    for words in (
        "Arm in the hedge",
        "left, behind the bench",
        "Board: hedge, rp2040",
        "Own switch: red toggle on the green tote",
        "Armed by hand: release it only where you see it.",
        "Pack: LiFePO4 4S1P (4 cells), 12.8 V, 6000 mAh",
        "Pack: NiMH 6S1P (6 cells), 7.2 V, 4500 mAh",
        "Supply: gate-psu, 12 V, at most 5 A, fuse 5 A, from porch-outlet",
        "Props: Porch organ, Door knocker",
    ):
        assert words in text
    assert text.count("current and time by the maker's data") == 8, "four packs, twice"


def test_a_lithium_pack_brings_the_whole_caution_and_who_decides(
    sheets: tuple[str, list[Seen]],
) -> None:
    text = flat(" ".join(each.text for each in sheets[1]).replace("\x02", "-"))
    lithium = 2 * sum(
        e.battery is not None and e.battery.chemistry != "nimh" for e in GARDEN.boards
    )
    assert text.count(CAUTIONS[Topic.LITHIUM]) == lithium
    assert text.count(DECIDES) == len(GARDEN.props) + len(GARDEN.boards)


@pytest.mark.parametrize(
    ("pack", "said", "not_said"),
    [
        ('chemistry = "lipo"\nseries = 3', "3S LiPo, full at about 12.6 V", "sparks"),
        ('chemistry = "lifepo4"\nseries = 4', "4S LiFePO4, full at about 14.4 V", "sparks"),
        ('chemistry = "lead-acid"\nseries = 6', "away from sparks", "fireproof"),
        ('chemistry = "nimh"\nseries = 6', "current and time by the maker's data", "fireproof"),
        ('chemistry = "alkaline"\nseries = 4', "Never charge", "charger"),
    ],
)
def test_the_charging_note_follows_the_chemistry_and_names_no_current(
    pack: str, said: str, not_said: str
) -> None:
    text = '[show]\nid = "y"\ntime_zone = "UTC"\n[[board]]\nid = "b"\n[board.battery]\n'
    (label,) = labels_of(read_show(f"{text}{pack}\ncapacity_mah = 5000\n", "show").show, BASE)
    (note,) = label.notes
    assert said in note
    assert not_said not in note
    assert DECIDES in note
    assert not re.search(r"\d ?m?A\b", note)


def test_mains_behind_a_supply_is_said_and_without_a_circuit_nothing_is_claimed() -> None:
    labels = {each.id: each for each in labels_of(GARDEN, BASE)}
    assert labels["gate"].notes[0].startswith(CAUTIONS[Topic.MAINS])
    bare = '[show]\nid = "y"\ntime_zone = "UTC"\n[[supply]]\nid = "s"\n'
    (label,) = labels_of(read_show(f'{bare}[[board]]\nid = "b"\nsupply = "s"\n', "show").show, BASE)
    assert label.lines[1:] == ("Supply: s",)
    assert label.notes == ()


def test_umlauts_and_other_letters_of_the_west_are_printed() -> None:
    (page,) = printed(a_label(name="Käuzchen über dem Türschloß", place="Öffnung à côté, ½ m"))
    assert "Käuzchen über dem Türschloß" in flat(page.text)
    assert "Öffnung à côté, ½ m" in flat(page.text)


def test_letters_that_helvetica_lacks_come_from_a_font_of_this_machine_or_are_told() -> None:
    name = "Żółw Ωmega Ёжик"
    made = label_sheets([a_label(name=name)], PAPERS["a4"], "Labels", NOON)
    (page,) = seen(made.pdf)
    if made.lost:
        assert "?" in page.text or "Z" in page.text
    else:
        assert name in flat(page.text)
    assert page.words == [f"{BASE}/props/owl"]


def test_a_letter_that_no_font_has_is_told_and_the_rest_is_printed() -> None:
    made = label_sheets([a_label(name="Owl \U000f0000!")], PAPERS["a4"], "Labels", NOON)
    assert made.lost == "\U000f0000"
    assert "Owl ?!" in flat(seen(made.pdf)[0].text)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_longest_words_that_a_show_can_hold_stay_on_their_label(paper: str) -> None:
    long = "A very long name of a prop that somebody thought of late at night, " * 3
    wide = "W" * 64
    labels = [
        a_label(
            name=long[:200],
            place=f"{wide} {long[:130]}",
            lines=(f"Board: b, {wide}", f"Own switch: {long[:200]}", f"Supply: {wide}"),
            notes=(f"{CAUTIONS[Topic.LITHIUM]} {DECIDES}",),
        )
        for _ in range(2)
    ]
    (page,) = printed(*labels, paper=paper)
    assert page.words == [f"{BASE}/props/owl"] * 2
    text = flat(page.text.replace("\x02", ""))
    assert text.count("A very long name of a prop") >= 4
    assert text.count("Charge attended and balanced") == 2, "a caution is never pushed off"
    room = next(GRIDS[paper].rooms())
    for left, top, right, bottom in _glyphs(paper, labels[:1]):
        assert room.x <= left
        assert right <= room.x + room.width
        assert room.y <= top
        assert bottom <= room.y + room.height


def _glyphs(paper: str, labels: list[Label]) -> list[tuple[float, float, float, float]]:
    made = label_sheets(labels, PAPERS[paper], "Labels", NOON)
    return seen(made.pdf, with_boxes=True)[0].boxes


words = st.text(st.characters(codec="latin-1", exclude_categories=["Cc"]), max_size=60)


@settings(max_examples=20, deadline=None)
@given(words, st.floats(4, 120), st.floats(3, 40), st.floats(6, 30))
def test_text_never_takes_more_height_than_its_box(
    said: str, width: float, height: float, most: float
) -> None:
    ink = Ink(PAPERS["a4"], "t", NOON, said)
    ink.page()
    smallest_mm = 4.5 * 25.4 / 72 * 1.16
    taken = ink.text(Room(10, 10, width, height), said, Type(most, 4.5))
    assert taken <= max(height, smallest_mm) + 1e-6


# --- the page


def test_the_page_offers_what_there_is_and_the_pdf_has_what_was_ticked() -> None:
    with a_garden(role="watch") as garden:
        page = garden.client.get("/labels").text
        assert len(re.findall(r'name="prop" value="[a-z-]+" checked', page)) == 10
        assert len(re.findall(r'name="board" value="[a-z-]+" checked', page)) == 8
        assert "Labels outlast a night" in page

        answer = garden.client.get("/labels.pdf?paper=letter&prop=old-well&board=gate")
        assert answer.headers["content-type"] == "application/pdf"
        assert 'filename="labels-letter.pdf"' in answer.headers["content-disposition"]
        (sheet,) = seen(answer.content)
        assert sheet.words == ["http://127.0.0.1/boards/gate", "http://127.0.0.1/props/old-well"]

        assert garden.client.get("/labels.pdf?prop=nobody").status_code == 404
        assert garden.client.get("/labels.pdf?paper=a5").status_code == 422
        garden.keeper.versions.append(example("first-night"))
        (sheet,) = seen(garden.client.get("/labels.pdf").content)
        assert len(sheet.codes) == 6, "three props, three boards: without a choice all there is"


# --- the command line


def test_the_command_prints_the_kept_show_by_the_name_that_was_announced(tmp_path: Path) -> None:
    data, out = tmp_path / "data", tmp_path / "out.pdf"
    show = tmp_path / "show.toml"
    show.write_text(example("first-night"), encoding="utf-8")
    run = CliRunner().invoke
    missing = run(app, ["labels", "--data", str(data), "--out", str(out)])
    assert missing.exit_code == 1
    assert "holds no show yet" in missing.output
    assert run(app, ["import", str(show), "--data", str(data)]).exit_code == 0

    told = run(app, ["labels", "--data", str(data), "--paper", "letter", "--out", str(out)])
    assert told.exit_code == 0, told.output
    assert told.stdout.strip() == str(out)
    assert "no phone can open" in told.stderr
    assert "http://127.0.0.1:8080/props/old-well" in seen(out.read_bytes())[0].words

    writing, _ = open_engines(data, "")
    Writer(writing).save_setting(NAMED, "http://haunt.local:8081")
    writing.dispose()
    named = run(app, ["labels", "--data", str(data), "--out", str(out)])
    assert not named.stderr
    assert "http://haunt.local:8081/props/old-well" in seen(out.read_bytes())[0].words
    given_address = ["--address", "https://garden.lan/"]
    run(app, ["labels", "--data", str(data), "--out", str(out), *given_address])
    assert "https://garden.lan/props/old-well" in seen(out.read_bytes())[0].words


@pytest.mark.parametrize("bad", [["--paper", "a5"], ["--address", "haunt.local"]])
def test_the_command_refuses_in_words(tmp_path: Path, bad: list[str]) -> None:
    show = tmp_path / "show.toml"
    show.write_text(example("first-night"), encoding="utf-8")
    run = CliRunner().invoke
    run(app, ["import", str(show), "--data", str(tmp_path)])
    told = run(app, ["labels", "--data", str(tmp_path), *bad])
    assert told.exit_code == 1
    assert "allowed" in told.output
