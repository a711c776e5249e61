"""Goal: the report of a night reads well, and the same figures come as JSON and CSV.

Method: the application over a book that holds one invented night.
"""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from haunt.core.show import SensorSpec
from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.nightwords import _band
from haunt.site.ports import Services, Sheet
from haunt.study.nightline import NightLine, line_of
from haunt.study.passers import Crowd, estimate
from haunt.study.report import NightReport
from haunt.study.walks import StopCount, Walks
from haunt.workshop.band import Band
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import COOKIE, HERE, Stage, an_entrance, secret_of
from tests.study.test_report import busy, report

DAY, BEFORE = "2026-11-01", "2026-10-31"
HOUR_MS = 3_600_000


class Nights:
    """One busy night, and one before it that did better."""

    def __init__(self) -> None:
        self.found = busy()

    def dates(self) -> list[str]:
        return [DAY, BEFORE]

    def report(self, day: str) -> NightReport | str:
        return self.found if day == DAY else f"{day!r} is no date; a night is named by YYYY-MM-DD"

    def sheet(self, day: str, earlier: int) -> Sheet | str:
        found = self.report(day)
        return found if isinstance(found, str) else Sheet(found, self.lines()[1 : 1 + earlier], {})

    def lines(self) -> list[NightLine]:
        better = {"date": BEFORE, "visits": 10, "answered": 9, "least_percent": 40}
        return [line_of(self.found), replace(line_of(busy()), **better)]  # type: ignore[arg-type]


NIGHTS = Nights()


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    desk = StandInDesk(a_night())
    services = Services(
        Crew(desk),
        StandInReader(),
        StandInKeeper(desk),
        Hub(),
        lambda: DUSK_MS,
        an_entrance(),
        NIGHTS,
    )
    with TestClient(create_app(services), HERE, raise_server_exceptions=False) as found:
        found.cookies.set(COOKIE, secret_of("watch"))
        yield found


def test_the_report_tells_counts_and_what_to_mend(client: TestClient) -> None:
    text = client.get(f"/nights/{DAY}").text

    assert "2 of 3" in text
    assert "b2 was never heard of" in text
    assert 'href="/manual/rules#rule-cooldown"' in text
    assert "Busiest: " in text


def test_the_list_of_nights_leads_to_them(client: TestClient) -> None:
    assert f'href="/nights/{DAY}"' in client.get("/nights").text


def test_programs_get_the_same_as_json_and_csv(client: TestClient) -> None:
    path = f"/api/v1/nights/{DAY}/report"
    plain = client.get(path).json()
    lines = client.get(path, headers={"accept": "text/csv"}).text.splitlines()

    assert (plain["motions"], plain["visits"], plain["answered"]) == (4, 3, 2)
    assert lines[0] == "section,name,figure,value"
    assert f"night,{DAY},motions,4" in lines


@pytest.mark.parametrize("path", ["/nights/tomorrow", "/api/v1/nights/tomorrow/report"])
def test_a_night_that_is_none_is_said_in_words(client: TestClient, path: str) -> None:
    answer = client.get(path)

    assert answer.status_code == 404
    assert "YYYY-MM-DD" in answer.text


def test_a_site_without_a_journal_has_no_nights(stage: Stage) -> None:
    assert "No night has been recorded yet" in stage.client.get("/nights").text
    assert stage.client.get(f"/api/v1/nights/{DAY}/report").status_code == 404


def words(client: TestClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return " ".join(answer.text.split())


def test_a_night_stands_beside_the_one_before(client: TestClient) -> None:
    page = words(client, f"/nights/{DAY}")

    assert "It answered 67% of visits, 23 points fewer than the night before (90%)." in page
    assert f'<a href="/nights/{BEFORE}">{BEFORE}</a><td>' in page
    assert "90% of 10" in page
    assert "40 %" in page


@pytest.mark.parametrize(("band", "said"), [((2.1, 1.9, 2.4), "2"), ((5, 4.9, 6.2), "5 (5 to 6)")])
def test_a_range_of_one_number_is_that_number(band: tuple[float, float, float], said: str) -> None:
    at, low, high = band
    assert _band(Band(at=at, low=low, high=high)) == said


def test_who_passed_is_told_with_where_it_is_from(client: TestClient) -> None:
    page = words(client, f"/nights/{DAY}")
    assert "<dt>Groups passed</dt><dd>3</dd>" in page
    assert "pir counted 3; the rest came while it rested" in page


def test_nights_are_compared_side_by_side(client: TestClient) -> None:
    page = words(client, "/nights-compared")
    assert page.index(DAY) < page.index(BEFORE)
    assert "67% of 3" in page
    assert "90% of 10" in page


def test_a_link_fetches_the_csv(client: TestClient) -> None:
    answer = client.get(f"/nights/{DAY}/report.csv")

    assert answer.headers["content-disposition"] == f'attachment; filename="night-{DAY}.csv"'
    assert f"night,{DAY},motions,4" in answer.text.splitlines()
    assert client.get("/nights/tomorrow/report.csv").status_code == 404


# --- visitors


@pytest.fixture
def crowded() -> Iterator[None]:
    """A sensor at which a count fits two rates, one near its most, one that was never clear."""
    pir, beam = SensorSpec("pir", "b1"), SensorSpec("beam", "b1")
    few = estimate(pir, range(0, HOUR_MS, 60_000), 0, HOUR_MS)
    stays = [22_500 * n + stay for n in range(20) for stay in (0, 4000)]
    near = estimate(pir, stays, 0, 450_000)
    never = estimate(beam, range(0, HOUR_MS, 5000), 0, HOUR_MS)
    stops = (StopCount("pir", 0.0, 60, 0, 0), StopCount("beam", 5.0, 1, 40, 10))
    NIGHTS.found = replace(
        busy(),
        crowd=Crowd((few, replace(near, sensor="mat"), never), few, 180),
        walks=Walks(55, 4, stops),
    )
    yield
    NIGHTS.found = busy()


@pytest.mark.usefixtures("crowded")
def test_two_rates_that_fit_one_count_are_both_shown_with_what_tells_them_apart(
    client: TestClient,
) -> None:
    page = words(client, f"/nights/{DAY}/visitors")

    assert "few, by the time it was clear" in page
    assert " or " in page[page.index("What fits the count alone") :]
    assert "Followed along the path</dt><dd>55" in page
    assert "Counted by hand</dt><dd>180" in page


@pytest.mark.usefixtures("crowded")
def test_where_it_cannot_be_told_that_is_said(client: TestClient) -> None:
    page = words(client, f"/nights/{DAY}/visitors?sensor=mat")
    assert "which of the two cannot be told" in page

    never = words(client, f"/nights/{DAY}/visitors?sensor=beam")
    assert "<td>1<td>cannot be told<td>" in never
    assert "30 of 40" in never


@pytest.mark.usefixtures("crowded")
def test_a_crowd_that_cannot_be_told_leaves_what_was_counted(client: TestClient) -> None:
    never = NIGHTS.found.crowd.estimates[2]
    NIGHTS.found = replace(NIGHTS.found, crowd=Crowd((never,), never, None))
    page = words(client, f"/nights/{DAY}")

    assert "<dd>1 or more</dd>" in page
    assert "beam was hardly ever clear" in page


def test_a_night_without_visitors_has_a_page_all_the_same(client: TestClient) -> None:
    NIGHTS.found = report()
    page = words(client, f"/nights/{DAY}/visitors")
    NIGHTS.found = busy()

    assert "<dd>nobody</dd>" in page
