"""Goal: with a thumb one reads a line, keeps or strikes it, takes that back, and brings more in.

Method: the application over the real book of lines in a folder; forms are found in the pages and
sent as a browser would.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

from haunt.bootstrap.errands import Errands
from haunt.bootstrap.linebook import LineShelf
from haunt.site.lineports import NoLines
from haunt.site.linewords import running_of
from haunt.site.workports import Work, WorkState
from haunt.store.linerows import LineStore
from haunt.study.pools.reading import Entry
from haunt.wire.saying import line_id
from tests.site.shelf import SHOW, Shelf
from tests.site.stage import HTMX, OWN, Stage, a_stage
from tests.store.stage import opened

GATE = "/lines/gate/growl"
TALKING = SHOW.replace('time_zone = "UTC"', 'time_zone = "UTC"\nbarred_words = ["grave"]') + (
    'lines = ["By hand."]\n'
)
TWENTY = "\n".join(f"Fresh line number {number}." for number in range(20))


class House:
    """A stage, and the book of lines that its pages show."""

    def __init__(self, stage: Stage, book: LineShelf, keeper: Shelf) -> None:
        self.stage, self.book, self.keeper = stage, book, keeper

    def page(self, path: str = GATE) -> str:
        answer = self.stage.client.get(path)
        assert answer.status_code == 200, answer.text
        return unescape(answer.text)

    def post(self, path: str, **fields: str) -> str:
        """Send a form and go where it leads; return the page there."""
        answer = self.stage.client.post(path, data=fields, headers=OWN)
        assert answer.status_code == 303, answer.text
        return self.page(answer.headers["location"])


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with opened(tmp_path) as database:
        store, keeper = LineStore(database.writing, database.writing), Shelf(TALKING)
        errands = Errands(program=("false",))
        book = LineShelf(store, keeper, tmp_path, errands, lambda: 7)
        with a_stage(role="crew", dressed=lambda plain: replace(plain, lines=book)) as stage:
            yield House(stage, book, keeper)


def test_twenty_lines_are_brought_in_and_five_kept_by_thumb(house: House) -> None:
    page = house.post(f"{GATE}/import", text=TWENTY)
    assert "20 new lines to keep or strike." in page

    for number in range(5):
        [name] = re.findall(r'name="judged" value="(kept \w+)" class="person"> *<svg', page)
        assert f'<p class="saying">Fresh line number {number}.</p>' in page
        page = house.post(f"{GATE}/judge", judged=name)
        assert f"Kept: Fresh line number {number}." in page
    assert re.findall(r"(?:New|Kept|Struck) \d+", page) == ["New 15", "Kept 6", "Struck 0"]
    assert "5 judged a moment ago" in page

    house.book.follow()
    assert "Fresh line number 4." in house.keeper.toml()
    assert "judged a moment ago" not in house.page()


def test_a_judgement_is_taken_back_by_the_button_beside_what_was_said(house: House) -> None:
    house.post(f"{GATE}/import", text="One.\nTwo.")
    page = house.post(f"{GATE}/judge", judged=f"struck {line_id('One.')}")
    notice = page[page.index('class="notice') :]
    found = re.search(r'action="([^"]+)".*?name="judged" value="([^"]+)"', notice, re.DOTALL)
    assert found is not None

    page = house.post(found[1], judged=found[2])

    assert '<p class="saying">One.</p>' in page
    assert "New 2" in page


def test_the_way_back_leads_on_with_scripts_too(house: House) -> None:
    answer = house.stage.client.post(
        f"{GATE}/judge", data={"judged": f"struck {line_id('By hand.')}"}, headers=HTMX
    )

    assert answer.headers["hx-redirect"].startswith(f"{GATE}?was=kept+")


def test_a_line_says_what_one_should_know_before_keeping_it(house: House) -> None:
    long = "[3] A grave with very many words in it, more than any growl of four seconds can hold."
    page = house.post(f"{GATE}/import", text=long)

    assert "6.8 s, reckoned, intensity 3, brought in" in page
    assert "Longer than growl, which ends after 4 s." in page
    assert "Has a barred word: not said in gentle phases." in page


def test_faults_of_a_file_are_named_and_nothing_is_taken(house: House) -> None:
    answer = house.stage.client.post(
        f"{GATE}/import",
        files={"file": ("own.csv", b"line,intensity\nfine,1\nloud,9\n")},
        headers=OWN,
    )

    assert answer.status_code == 422
    assert "Line 3, intensity is '9'. Allowed: 1 to 5, or nothing." in unescape(answer.text)
    assert "New 0" in house.page()


def test_bytes_that_are_no_text_are_said(house: House) -> None:
    answer = house.stage.client.post(
        f"{GATE}/import", files={"file": ("own.txt", b"fine\n\xff")}, headers=OWN
    )

    assert answer.status_code == 422
    assert "own.txt is not UTF-8 at byte 6" in answer.text


def test_kept_and_struck_lines_are_looked_at_and_changed_too(house: House) -> None:
    page = house.post(f"{GATE}/judge?state=kept", judged=f"struck {line_id('By hand.')}")
    assert "Struck: By hand." in page

    page = house.page(f"{GATE}?state=struck")
    assert f'value="kept {line_id("By hand.")}"' in page


def test_long_pools_come_in_pages(house: House) -> None:
    house.post(f"{GATE}/import", text="\n".join(f"Line {n}." for n in range(40)))

    first, second = house.page(), house.page(f"{GATE}?state=new&skip=30")

    assert "skip=30" in first
    assert "Line 30." in first
    assert "Line 31." not in first
    assert "Line 31." in second


@pytest.mark.parametrize(
    "judged", ["kept", "kept nobody", f"lost {line_id('By hand.')}", "", "kept ../../x"]
)
def test_a_judgement_that_is_none_is_refused(house: House, judged: str) -> None:
    answer = house.stage.client.post(f"{GATE}/judge", data={"judged": judged}, headers=OWN)

    assert 400 <= answer.status_code < 500


@pytest.mark.parametrize("path", ["/lines/gate/howl", "/lines/nobody/growl", "/line-sounds/x"])
def test_what_is_not_there_is_said_so(house: House, path: str) -> None:
    assert house.stage.client.get(path).status_code == 404


def test_a_sound_is_heard_where_there_is_one(house: House, tmp_path: Path) -> None:
    sound = tmp_path / "lines" / "en-150" / f"{line_id('By hand.')}.wav"
    sound.parent.mkdir(parents=True)
    sound.write_bytes(b"RIFF....")

    assert f'src="/line-sounds/{sound.stem}"' in house.page(f"{GATE}?state=kept")
    answer = house.stage.client.get(f"/line-sounds/{sound.stem}")
    assert (answer.headers["content-type"], answer.content) == ("audio/wav", b"RIFF....")


def test_watch_reads_and_changes_nothing(house: House) -> None:
    house.stage.become("watch")

    assert "By hand." in house.page(f"{GATE}?state=kept")
    answer = house.stage.client.post(
        f"{GATE}/judge", data={"judged": f"struck {line_id('By hand.')}"}, headers=OWN
    )
    assert answer.status_code == 403


def test_only_an_owner_welcomes_gibberish(house: House) -> None:
    refused = house.stage.client.post("/lines/gibberish", data={"on": "true"}, headers=OWN)
    assert refused.status_code == 403

    house.stage.become("owner")
    assert "Gibberish is welcome:" in house.post("/lines/gibberish", on="true")
    assert "gibberish = true" in house.keeper.toml()
    assert "Only kept lines are said." in house.post("/lines/gibberish")
    assert "gibberish" not in house.keeper.toml()


def test_the_list_names_each_behaviour_with_what_is_to_do(house: House) -> None:
    house.post(f"{GATE}/import", text="One.")

    page = house.page("/lines")

    assert 'href="/lines/gate/growl"' in page
    assert "1 new · 1 kept" in page
    assert "Barred from gentle phases: grave" in page


def test_long_work_says_how_far_it_is_and_what_came_of_it() -> None:
    running = running_of(Work(WorkState.RUNNING, 3, 12))
    assert running is not None
    assert (running.is_running, running.percent, running.said) == (True, 25, "3 of 12")
    assert running_of(None) is None
    ends = {
        "12 sounds made\n": "Done: 12 sounds made.",
        "a\nb\nc\n": "Done: 3 lines prepared.",
    }
    for output, said in ends.items():
        done = running_of(Work(WorkState.DONE, output=output))
        assert done is not None
        assert (done.is_running, done.said) == (False, said)
    failed = running_of(Work(WorkState.FAILED, said="espeak-ng is not installed"))
    assert failed is not None
    assert failed.said == "It failed: espeak-ng is not installed."


def test_a_site_without_a_store_says_so() -> None:
    assert isinstance(NoLines().pools(), list)
    with a_stage() as stage:
        assert stage.client.get("/lines").status_code == 404


class Busy(NoLines):
    """A book whose work never begins, for another runs."""

    def __init__(self, book: LineShelf, work: Work) -> None:
        self._book, self._work = book, work
        self.show, self.pool, self.pools = book.show, book.pool, book.pools  # type: ignore[method-assign]

    def prepare(self, prop: str, behaviour: str, count: int) -> Work:  # noqa: ARG002 - the port's word
        return self._work

    def make_sounds(self) -> Work:
        return self._work


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (Work(WorkState.BUSY), "Something else is being worked out"),
        (Work(WorkState.FAILED, said="there is no voice"), "there is no voice"),
    ],
)
def test_work_that_did_not_begin_says_why_where_one_is(house: House, work: Work, said: str) -> None:
    book = Busy(house.book, work)
    with a_stage(role="crew", dressed=lambda plain: replace(plain, lines=book)) as stage:
        for path in (f"{GATE}/prepare", "/lines/sounds"):
            answer = stage.client.post(path, data={}, headers=OWN)
            assert answer.status_code == 409
            assert said in answer.text
            assert "<h1>" in answer.text


def test_work_that_begins_is_asked_for_by_what_a_person_chose(house: House) -> None:
    own = [Entry(f"Sentence of mine, number {number}.") for number in range(8)]
    house.book.add("gate", "growl", own, "Mara")
    house.post(f"{GATE}/prepare", count="10")

    assert house.book.work() is not None
