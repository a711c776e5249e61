"""Goal: the report of a night reads well, and the same figures come as JSON and CSV.

Method: the application over a book that holds one invented night.
"""

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.ports import Services
from haunt.study.report import NightReport
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import COOKIE, HERE, Stage, an_entrance, secret_of
from tests.study.test_report import busy

DAY = "2026-11-01"


class OneNight:
    def dates(self) -> list[str]:
        return [DAY]

    def report(self, day: str) -> NightReport | str:
        return busy() if day == DAY else f"{day!r} is no date; a night is named by YYYY-MM-DD"


@pytest.fixture
def client() -> Iterator[TestClient]:
    desk = StandInDesk(a_night())
    services = Services(
        Crew(desk),
        StandInReader(),
        StandInKeeper(desk),
        Hub(),
        lambda: DUSK_MS,
        an_entrance(),
        OneNight(),
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
