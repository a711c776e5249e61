"""Goal: counts and packs are read in a sentence, a picture, a table and CSV that say the same.

Method: the pages over an evening that was written into the tables (`packnight.py`).
"""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from haunt.bootstrap.counting import Countings, PackWatch
from haunt.live.crew import Crew
from haunt.live.views import PropWord
from haunt.site.app import create_app
from haunt.site.countports import Packs
from haunt.site.hub import Hub
from haunt.site.packcurves import POINTS_MAX, thinned
from haunt.site.packs import summary
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.store.engines import open_engines
from haunt.store.reader import Reader
from haunt.study.drain import Curve, Point
from haunt.study.nightfacts import Span
from tests.bootstrap.packnight import FROM_MS, GARDEN, PROPS, lay
from tests.site.night import StandInDesk, StandInKeeper, a_night, a_prop
from tests.site.stage import HERE, a_stage, an_entrance

NOW_MS = FROM_MS + 9_000_000


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    data: Path = tmp_path_factory.mktemp("evening")
    lay(data, 2.5)
    writing, reading = open_engines(data)
    props = [
        replace(a_prop(prop, prop.title(), PropWord.READY), board=board)
        for board, prop in PROPS.items()
    ]
    desk = StandInDesk(replace(a_night(props, NOW_MS), time_zone="Europe/Berlin"))
    entrance = an_entrance(guest=Role.OWNER)
    services = Services(
        Crew(desk),
        Reader(reading),
        StandInKeeper(desk),
        Hub(),
        lambda: NOW_MS,
        entrance,
        counts=Countings(reading, lambda: "Europe/Berlin"),
        packs=PackWatch(reading, lambda: (1, GARDEN.read_text()), lambda: NOW_MS),
    )
    with TestClient(create_app(services), HERE, raise_server_exceptions=False) as found:
        yield found
    entrance.passwords.close()
    writing.dispose()
    reading.dispose()


def rows_of(client: TestClient, path: str) -> list[dict[str, str]]:
    answer = client.get(path)
    assert answer.headers["content-type"].startswith("text/csv")
    assert "\r\n" in answer.text
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def test_counts_begin_with_a_sentence_of_the_same_numbers_as_the_csv(client: TestClient) -> None:
    page = client.get("/counts").text
    rows = rows_of(client, "/counts.csv")
    [night] = [each for each in rows if each["section"] == "night"]

    every = sum(int(night[each]) for each in ("fired", "refused", "lapsed"))
    assert f"{night['fired']} started of {every} triggers" in page
    for section in ("hour", "prop", "prop and hour"):
        mine = [each for each in rows if each["section"] == section]
        assert sum(int(each["fired"]) for each in mine) == int(night["fired"]), section


def test_the_table_by_hour_says_what_the_bars_show(client: TestClient) -> None:
    page = client.get("/counts").text
    table = re.findall(r'<tr><th scope="row">(\d\d:00)<td>(\d+)<td>(\d+)<td>(\d+)</tr>', page)
    [picture] = re.findall(r'<svg class="bars".*?</svg>', page, re.DOTALL)
    heights = [float(each) for each in re.findall(r'class="moved"[^>]*height="([\d.]+)"', picture)]

    rows = [each for each in rows_of(client, "/counts.csv") if each["section"] == "hour"]
    assert [
        (f"{int(r['hour']):02d}:00", r["fired"], r["refused"], r["lapsed"]) for r in rows
    ] == table
    sums = [sum(map(int, row[1:])) for row in table]
    assert heights == pytest.approx([60 * each / max(sums) for each in sums], abs=0.1)


def test_a_boards_own_counter_stands_beside_the_journals(client: TestClient) -> None:
    page = client.get("/counts").text
    rows = {each["board"]: each for each in rows_of(client, "/counts.csv") if each["board"]}

    assert "Board and journal differ at well." in page
    assert rows["well"]["difference"] == "3"
    assert f"counted {rows['well']['counted']}, the journal has" in page
    assert "3 never came, by their numbers" in page


def test_packs_begin_with_who_will_not_last(client: TestClient) -> None:
    page = client.get("/packs").text
    assert "may not last till close: " in page
    assert "tree had brown-outs." in page
    assert page.count('<figure class="pack">') == 4
    assert "Restarted 3 times (brown-out) from 18:30 within" in page
    assert "If it was full when it was switched on" in page, "nickel tells no charge"


def test_the_table_of_a_pack_says_what_its_picture_shows(client: TestClient) -> None:
    page = client.get("/packs").text
    well = page[page.index("<strong>well") :]
    [line] = re.findall(r'<polyline points="([^"]+)"', well)[:1]
    rows = re.findall(r'<tr><th scope="row">([\d:]+)<td>(\d+)<td>(\d+)<td>([\d.]+)</tr>', well)
    of_csv = [r for r in rows_of(client, "/packs.csv") if r["board"] == "well" and r["least_mv"]]

    first_y = int(line.split()[0].split(",")[1])
    assert 100 - first_y == int(rows[0][1]) == float(of_csv[0]["charge_percent"])
    last_y = int(line.split()[-1].split(",")[1])
    assert 100 - last_y == float(of_csv[-1]["charge_percent"])
    assert len(of_csv) == 30, "two and a half hours"


def test_twelve_hours_are_shown_to_who_wants_them(client: TestClient) -> None:
    client.cookies.set("clock", "12")
    try:
        assert "6:30 pm" in client.get("/packs").text
        assert '<th scope="row">5 pm<td>' in client.get("/counts").text
    finally:
        client.cookies.clear()


@pytest.mark.parametrize("path", ["/counts", "/packs", "/counts.csv", "/packs.csv"])
def test_a_night_that_is_none_is_said_in_words(client: TestClient, path: str) -> None:
    answer = client.get(f"{path}?night=yesterday")
    assert answer.status_code == 404
    assert "no date" in answer.text


def test_where_nothing_was_journalled_yet_the_page_says_so_and_is_no_error() -> None:
    with a_stage() as stage:
        for path, title in (("/counts", "Counts"), ("/packs", "Packs")):
            answer = stage.client.get(path)
            assert answer.status_code == 200
            assert f"<h1>{title}</h1>" in answer.text
            assert "no journal" in answer.text
            assert 'href="/first"' in answer.text


def test_a_long_night_keeps_its_dips_in_few_points() -> None:
    points = [Point(n, 90.0, 80 if n != 777 else 3, 7000, 7400) for n in range(1000)]
    found = thinned(points)

    assert len(found) <= POINTS_MAX
    assert min(each.low or 0 for each in found) == 3


def test_where_no_pack_can_be_judged_none_is_said_to_last() -> None:
    night = Span(FROM_MS, FROM_MS + 14_400_000)
    charge = (Point(FROM_MS, 74.0, 64, 7700, 7800),)
    curve = Curve("tree", "lipo", charge, (), None, None, None, None, 10.0)
    packs = Packs("2026-10-31", night, NOW_MS, (curve, replace(curve, board="well")), None)

    assert summary(packs) == "2 packs: nothing can be foretold yet."
