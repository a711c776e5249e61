"""Goal: an owner sees what backups there are, and what going back costs before anything is done.

Method: the application over an invented evening, with a shelf of backups that remembers.
"""

import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace

import pytest

from haunt.site.houseports import Copy, HouseRefused, Loss, Parcel, Standing
from haunt.site.keep import Change, changes_of
from tests.site.night import DUSK_MS
from tests.site.stage import OWN, Stage, a_stage, secret_of

FIRST = Copy(
    "20261031T170000Z-scheduled",
    DUSK_MS - 5_400_000,
    "scheduled",
    3 * 1024**2,
    {"motions": 100, "decisions": 130, "shows": 2, "people": 3, "tokens": 0, "events": 400},
    DUSK_MS - 5_000_000,
)
SECOND = FIRST._replace(name="20261031T180000Z-hand", at_ms=DUSK_MS - 1_800_000, why="hand")
NOW = {"motions": 140, "decisions": 190, "shows": 3, "people": 2, "tokens": 1, "events": 600}


@dataclass(slots=True)
class StandInBackups:
    """Satisfies `houseports.BackupBook`."""

    copies: list[Copy] = field(default_factory=lambda: [SECOND._replace(tried_ms=None), FIRST])
    trouble: str = ""
    owners: tuple[str, ...] = ("Mara",)
    bad: str = ""
    wishes: list[tuple[str, str]] = field(default_factory=list)
    parcels: list[tuple[str, bool]] = field(default_factory=list)
    turns: int = 0

    def standing(self) -> Standing:
        return Standing(tuple(self.copies), self.trouble, ("restored is backup x",))

    def back_up(self) -> Copy:
        if self.trouble:
            raise HouseRefused(self.trouble)
        made = SECOND._replace(name="20261031T183000Z-hand", at_ms=DUSK_MS, tried_ms=None)
        self.copies.insert(0, made)
        return made

    def try_out(self, name: str) -> str:
        at = self._at(name)
        if self.bad:
            raise HouseRefused(self.bad)
        self.copies[at] = self.copies[at]._replace(tried_ms=DUSK_MS)
        return f"backup {name} works"

    def loss(self, name: str) -> Loss:
        return Loss(self.copies[self._at(name)], NOW, self.owners)

    def restore(self, name: str, by: str) -> str:
        self.try_out(name)
        self.wishes.append((name, by))
        return f"backup {name} is put in place now"

    def again(self) -> None:
        self.turns += 1

    def parcel(self, name: str, *, with_keys: bool) -> Parcel:
        self._at(name)
        self.parcels.append((name, with_keys))
        return Parcel(f"{name}.tar", 6, iter([b"abc", b"def"]))

    def _at(self, name: str) -> int:
        for at, each in enumerate(self.copies):
            if each.name == name:
                return at
        raise HouseRefused(f"there is no backup {name!r}")


THE_SHELF = StandInBackups()


@pytest.fixture(scope="module")
def house() -> Iterator[Stage]:
    with a_stage(dressed=lambda plain: replace(plain, backups=THE_SHELF)) as found:
        yield found


@pytest.fixture
def shelf() -> StandInBackups:
    """The same for all tests, and at its beginning for each."""
    for field_, value in asdict(StandInBackups()).items():
        setattr(THE_SHELF, field_, value)
    THE_SHELF.copies = StandInBackups().copies
    return THE_SHELF


@pytest.fixture
def stage(house: Stage, shelf: StandInBackups) -> Stage:
    assert shelf.turns == 0
    house.become("owner")
    return house


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def deeds(stage: Stage) -> list[tuple[str, str, str, str]]:
    stage.entrance.logbook.write_now()
    found = stage.entrance.book.logbook().items
    return [(each["who"], each["what"], each["about"], each["result"]) for each in found]


def test_each_backup_is_listed_with_its_time_size_counts_and_whether_it_was_tried(
    stage: Stage,
) -> None:
    listed = [
        words(each)
        for each in re.findall(r'<li class="line">(.*?)</li>', stage.client.get("/keep").text)
    ]

    counts = "100 motions, 130 decisions, 2 versions of the show file"
    assert listed == [
        f"2026-10-31 18:00 by hand, 3.0 MB {counts} Not tried",
        f"2026-10-31 17:00 every hour, 3.0 MB {counts} Tried 2026-10-31 17:06",
    ]


def test_what_the_last_start_did_to_the_data_is_said_and_trouble_is_too(
    stage: Stage, shelf: StandInBackups
) -> None:
    assert "At the last start: restored is backup x." in words(stage.client.get("/keep").text)
    shelf.trouble = "the disk is low"
    assert 'role="alert"' in stage.client.get("/keep").text
    assert "the disk is low" in stage.client.get("/keep").text


def test_one_that_is_made_is_tried_at_once(stage: Stage) -> None:
    answer = stage.client.post("/keep/backups", headers=OWN)

    assert answer.status_code == 200
    assert "Made: backup 20261031T183000Z-hand works." in words(answer.text)
    assert answer.text.count("Not tried") == 1
    assert ("Mara", "backup made", "20261031T183000Z-hand", "done") in deeds(stage)


def test_why_none_could_be_made_is_said(stage: Stage, shelf: StandInBackups) -> None:
    shelf.trouble = "the disk is low: make room"
    answer = stage.client.post("/keep/backups", headers=OWN)

    assert answer.status_code == 422
    assert "the disk is low: make room" in answer.text
    assert deeds(stage)[-1][3] == "refused: the disk is low: make room"


def test_going_back_names_what_would_be_fewer_than_now() -> None:
    assert changes_of(Loss(FIRST, NOW, ())) == [
        Change("motions", 140, 100),
        Change("decisions", 190, 130),
        Change("versions of the show file", 3, 2),
        Change("people", 2, 3),
        Change("tokens", 1, 0),
    ]


def test_the_second_page_says_what_is_lost_before_anything_is_done(
    stage: Stage, shelf: StandInBackups
) -> None:
    text = words(stage.client.get(f"/keep/{FIRST.name}").text)

    assert "motions 140 100 40 fewer" in text
    assert "What happened after 2026-10-31 17:00 is gone" in text
    assert "A backup of how it is now is made first" in text
    assert "Owners then: Mara ." in text
    assert shelf.wishes == []
    shelf.owners = ()
    assert "Nobody was an owner" in stage.client.get(f"/keep/{FIRST.name}").text
    assert stage.client.get("/keep/other").status_code == 404


def test_restoring_tries_it_first_then_starts_anew_and_leads_to_the_sign_in(
    stage: Stage, shelf: StandInBackups
) -> None:
    answer = stage.client.post(f"/keep/{FIRST.name}/restore", headers=OWN)

    assert answer.status_code == 200
    assert shelf.wishes == [(FIRST.name, "Mara")]
    assert shelf.turns == 1
    assert answer.headers["refresh"] == "5; url=/sign-in?next=%2Fkeep"
    assert f"Backup {FIRST.name} is put in place now." in words(answer.text)


def test_a_backup_that_does_not_work_changes_nothing(stage: Stage, shelf: StandInBackups) -> None:
    shelf.bad = "it was tried out and does not work: haunt.db is not as it was written"
    answer = stage.client.post(f"/keep/{FIRST.name}/restore", headers=OWN)

    assert answer.status_code == 422
    assert f"Nothing was changed: {shelf.bad}" in words(answer.text)
    assert (shelf.wishes, shelf.turns) == ([], 0)
    assert deeds(stage)[-1][3].startswith("refused: it was tried out")
    assert stage.client.post(f"/keep/{FIRST.name}/try", headers=OWN).status_code == 422


def test_a_backup_can_be_tried_from_its_page(stage: Stage) -> None:
    answer = stage.client.post(f"/keep/{SECOND.name}/try", headers=OWN)

    assert f"Backup {SECOND.name} works." in words(answer.text)
    assert "A start from a copy of it worked on 2026-10-31 18:30." in words(answer.text)


@pytest.mark.parametrize(
    ("url", "client", "with_keys"),
    [
        ("http://127.0.0.1", ("127.0.0.1", 1), True),
        ("http://127.0.0.1", ("::1", 1), True),
        ("https://127.0.0.1", ("192.0.2.7", 1), True),
        ("http://127.0.0.1", ("192.0.2.7", 1), False),
        ("http://127.0.0.1", ("testclient", 1), False),
    ],
)
def test_keys_travel_only_where_nobody_reads_along(
    url: str, client: tuple[str, int], with_keys: bool
) -> None:
    shelf = StandInBackups()
    with a_stage(dressed=lambda plain: replace(plain, backups=shelf), client=client) as stage:
        stage.client.base_url = url
        stage.become("owner")
        stage.client.cookies.set("__Host-haunt-443", secret_of("owner"))
        answer = stage.client.post(f"/keep/{FIRST.name}/download", headers={"origin": url})

        assert answer.status_code == 200, answer.text
        assert shelf.parcels == [(FIRST.name, with_keys)]
        assert answer.content == b"abcdef"
        assert answer.headers["content-disposition"] == f'attachment; filename="{FIRST.name}.tar"'
        said = stage.client.get(f"/keep/{FIRST.name}").text
        assert ("plain http, where others can read along" in said) is not with_keys
        assert ("Mara", "backup downloaded", FIRST.name, "done") in deeds(stage)


def test_backups_are_for_owners(stage: Stage) -> None:
    assert "/keep" in stage.client.get("/people").text
    stage.become("crew")
    for path in ("/keep", f"/keep/{FIRST.name}"):
        assert stage.client.get(path).status_code == 403


def test_a_site_without_a_data_folder_says_so() -> None:
    with a_stage() as stage:
        assert "keeps no backups" in stage.client.get("/keep").text
        assert stage.client.get("/keep/any").status_code == 404
        for path in ("backups", "any/try", "any/restore", "any/download"):
            assert stage.client.post(f"/keep/{path}", headers=OWN).status_code == 422
