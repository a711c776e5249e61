"""Goal: one fault is one alert: it counts, closes, comes back as itself, and floods nobody.

Method: the book alone with findings by hand, then a running night of forty boards.
"""

import pytest

from haunt.core import events
from haunt.live.alerts.book import COUNT_EVERY_MS, OPEN_MAX, SOON_MAX, AlertBook
from haunt.live.alerts.kinds import TERMS, Finding, Kind, Severity
from haunt.live.alerts.watch import AlertSeen
from haunt.live.alerts.words import Names
from haunt.live.crew import Crew
from haunt.live.errors import CrewMistake
from haunt.live.owner import Owner
from haunt.live.ports import ActionRow
from haunt.live.scene import Scene
from haunt.live.views import Labels
from tests.live.gardenstage import Garden, row_of

LOST = Finding(Kind.LOST, "b1")
TERM = TERMS[Kind.LOST]
WALL_MS = 1_793_552_400_000


class Notebook:
    """A book on a clock of its own, and what it had to say."""

    def __init__(self) -> None:
        self.book = AlertBook(Names(row_of(3), Labels()))
        self.now = 0
        self.told: list[tuple[str, str, int]] = []
        self.number = 0

    def at(self, ms: int, *findings: Finding, group: str = "lost") -> "Notebook":
        self.now = ms
        self.book.settle(group, findings, ms, WALL_MS + ms)
        self.book.expire(ms)
        for alert, state in self.book.news():
            self.number += 1
            alert.id = alert.id or self.number
            self.told.append((alert.key, state, alert.id))
        return self


def test_a_fault_that_lasts_is_written_down_once() -> None:
    notes = Notebook()
    for second in range(600):
        notes.at(second * 1000, LOST)

    assert notes.told == [("lost b1", "raised", 1)]
    assert notes.book.open()[0].count == 1
    assert notes.book.open()[0].last_wall_ms == WALL_MS + 599_000


def test_a_fault_that_is_away_a_moment_stays_open_and_counts() -> None:
    notes = Notebook().at(0, LOST).at(1000).at(TERM.close_ms, LOST)

    assert [each.count for each in notes.book.open()] == [2]
    assert len(notes.told) == 1


def test_an_alert_is_closed_when_its_fault_was_away_long_enough_and_not_before() -> None:
    notes = Notebook().at(0, LOST).at(1000)
    assert "lost b1" not in notes.book
    assert len(notes.at(1000 + TERM.close_ms - 1).book) == 1

    notes.at(1000 + TERM.close_ms)

    assert len(notes.book) == 0
    assert notes.told == [("lost b1", "raised", 1), ("lost b1", "cleared", 1)]


def test_within_its_window_a_fault_comes_back_as_the_same_alert() -> None:
    notes = Notebook().at(0, LOST).at(1000).at(20_000)
    notes.at(20_000 + TERM.again_ms, LOST)

    assert [state for _key, state, number in notes.told if number == 1] == [
        "raised",
        "cleared",
        "raised",
    ]
    assert notes.book.open()[0].count == 2


def test_after_its_window_it_is_a_new_alert() -> None:
    notes = Notebook().at(0, LOST).at(1000).at(20_000).at(20_001 + TERM.again_ms)
    notes.at(20_002 + TERM.again_ms, LOST)

    assert notes.told[-1] == ("lost b1", "raised", 3)
    assert notes.book.open()[0].count == 1


def test_a_count_that_rises_is_written_down_once_a_minute() -> None:
    notes = Notebook()
    for second in range(180):
        total = 1 + second * 50
        finding = Finding(Kind.NONSENSE, "b1", (("why", "no JSON"),), total)
        notes.at(second * 1000, finding, group="board b1")

    assert notes.book.open()[0].count == 1 + 179 * 50
    assert len(notes.told) <= 1 + 180_000 // COUNT_EVERY_MS


def test_the_book_is_bounded_and_counts_what_it_leaves_out() -> None:
    notes = Notebook()
    many = [Finding(Kind.STRANGER, f"x{n}", total=1) for n in range(300)]
    notes.at(0, *many, group="strangers")
    assert len(notes.book) == SOON_MAX
    assert notes.book.dropped == notes.book.left_out
    assert notes.book.dropped >= 200

    pressing = [Finding(Kind.LOST, f"y{n}") for n in range(OPEN_MAX)]
    notes.at(1000, *pressing)

    assert len(notes.book) == OPEN_MAX
    now = [each for each in notes.book.open() if each.severity is Severity.NOW]
    assert len(now) == OPEN_MAX - SOON_MAX, "what can wait left room for what cannot"
    assert notes.book.open()[0].severity is Severity.NOW


def test_room_that_comes_free_is_taken_by_what_was_left_out() -> None:
    notes = Notebook()
    many = [Finding(Kind.LOST, f"x{n}") for n in range(OPEN_MAX + 5)]
    notes.at(0, *many)
    assert notes.book.left_out == 5

    for second in range(1, 20):
        notes.at(second * 1000, *many[50:])

    assert len(notes.book) == OPEN_MAX + 5 - 50
    assert notes.book.left_out == 0


def test_the_first_who_has_seen_it_keeps_it_and_it_sinks_below_the_rest() -> None:
    notes = Notebook().at(0, LOST, Finding(Kind.LOST, "b2"))

    assert notes.book.seen(1, "Ada", WALL_MS + 5000)
    assert notes.book.seen(1, "Bo", WALL_MS + 6000), "it is open all the same"
    assert not notes.book.seen(77, "Bo", WALL_MS)

    first, last = notes.book.open()
    assert (last.key, last.seen_by, last.seen_wall_ms) == ("lost b1", "Ada", WALL_MS + 5000)
    assert first.key == "lost b2"
    assert notes.at(7000, LOST, Finding(Kind.LOST, "b2")).told[-1] == ("lost b1", "seen", 1)


# --- a running night


def test_forty_boards_that_die_at_once_are_one_alert() -> None:
    garden = Garden(40).open()
    for board in garden.boards.values():
        board.is_on = False
    garden.run(60_000)

    alert = garden.alert()
    assert alert.key == "lost-together"
    assert "40 boards lost" in alert.what
    assert "ground-fault device" in alert.todo
    assert len(garden.rows()) == 1


def test_boards_that_die_one_after_the_other_become_one_alert_too() -> None:
    garden = Garden(6).open()
    for number, board in enumerate(garden.boards.values()):
        garden.after(2_500 * number, lambda b=board: setattr(b, "is_on", False))  # type: ignore[misc]
    garden.run(90_000)

    assert garden.keys() == ["lost-together"]
    assert len({each.alert for each in garden.rows()}) <= 4, "three, and then the bunch"


def test_boards_of_one_circuit_are_one_alert_that_names_it() -> None:
    labels = Labels(circuits={"b1": "porch", "b2": "porch", "b3": "shed"})
    garden = Garden(3, labels=labels).open()
    for board in garden.boards.values():
        board.is_on = False
    garden.run(60_000)

    assert garden.keys() == ["lost b3", "lost-together porch"]
    assert garden.rows("together")[0].text.startswith("porch: 2 boards lost: P1; P2")


def test_forty_boards_with_every_fault_at_once_stay_within_bounds() -> None:
    garden = Garden(40).open()
    for board in garden.boards.values():
        board.battery_mv, board.high = 70_000, {f"s{board.id[1:]}"}
        garden.every(
            1000, lambda b=board: garden.tell_raw(f"{b.id}/health", b"?"), 170  # type: ignore[misc]
        )  # fmt: skip
    garden.run(180_000)

    assert len(garden.night.alerts) == SOON_MAX
    assert garden.night.alerts.dropped == 40
    assert len(garden.rows()) < 500


def test_a_boot_loop_is_not_told_as_a_loss_too() -> None:
    garden = Garden().open()

    def start_again(number: int) -> None:
        garden.boards["b2"].will()
        garden.after(8_000, lambda: garden.boards["b2"].start(f"{number:012x}", "brown-out"))

    for number in range(6):
        garden.after(15_000 * number, lambda n=number + 50: start_again(n))  # type: ignore[misc]
    garden.run(100_000)

    assert garden.keys()[0] == "boot-loop b2"
    assert "brown-out" in garden.rows("boot-loop")[0].text
    assert "lost b2" not in garden.night.alerts


def test_a_broker_that_is_gone_is_one_alert_whatever_it_takes_along() -> None:
    garden = Garden(12).open()
    garden.link(up=False)
    for board in garden.boards.values():
        board.is_on = False
    garden.run(60_000)
    assert garden.keys() == ["link"]

    garden.link(up=True)
    for board in garden.boards.values():
        board.start()
    garden.run(40_000)

    assert garden.keys() == []
    assert {each.key for each in garden.rows()} == {"link"}


def test_boards_never_heard_are_missed_and_named() -> None:
    garden = Garden()
    garden.link(up=True)
    garden.run(400)
    garden.boards["b1"].start()
    garden.after(5_000, garden._beat_health)
    garden.run(30_000)

    assert garden.keys() == ["lost b2", "lost b3"]
    [row] = garden.rows("lost b2")
    assert row.text == "P2: not heard yet"
    garden.boards["b2"].start()
    garden.run(30_000)
    garden.boards["b2"].will()
    garden.run(30_000)
    assert garden.rows("lost b2")[-1].text == "P2: lost"


def test_nothing_has_tripped_where_boards_were_never_heard() -> None:
    garden = Garden(4)
    garden.link(up=True)
    garden.run(30_000)

    alert = garden.alert()
    assert alert.what.startswith("4 boards not heard yet: P1; P2")
    assert "ground-fault" not in alert.todo


def test_a_pack_that_reads_nonsense_retires_no_prop() -> None:
    garden = Garden()
    garden.packs["b2"] = ("lipo", 2)
    garden.open()
    garden.boards["b2"].battery_mv = 0
    garden.run(120_000)

    assert garden.keys() == ["pack-odd b2"]
    assert garden.night.arbiter.night.boards["b2"].charge_percent is None


def test_an_alert_goes_with_what_it_speaks_of_when_the_show_changes() -> None:
    garden = Garden().open()
    garden.boards["b3"].is_on = False
    garden.run(30_000)
    assert garden.keys() == ["lost b3"]
    smaller = row_of(2)
    wall_ms = garden.schedule.wall_ms()
    garden.night.order(
        events.ShowChanged(garden.now, wall_ms, smaller, 2, "Ada"), ActionRow("Ada", "show", "2")
    )
    garden.run(30_000)

    assert garden.keys() == []
    assert garden.rows()[-1].state == "cleared"


def test_who_saw_an_alert_is_in_the_journal_by_name() -> None:
    garden = Garden().open()
    garden.boards["b2"].is_on = False
    garden.run(30_000)
    number = garden.alert().id
    seen = AlertSeen(garden.now, garden.schedule.wall_ms(), number, "Ada")

    garden.night.order(seen, ActionRow("Ada", "alert seen", str(number)))

    last = garden.rows()[-1]
    assert (last.alert, last.state, last.seen_by) == (number, "seen", "Ada")
    actions = [each.action for each in garden.journal.records if each.action is not None]
    assert actions[-1] == ActionRow("Ada", "alert seen", str(number))


def test_crew_acknowledges_what_is_open_and_nothing_else() -> None:
    garden = Garden().open()
    garden.boards["b2"].is_on = False
    garden.run(30_000)
    scene = Scene(garden.night, garden.journal, Labels())
    owner = Owner(garden.night, scene, garden.schedule)
    [view] = owner.view().alerts
    assert (view.kind, view.subject, view.severity) == ("lost", "b2", "now")
    owner.start()

    Crew(owner).acknowledge(view.id, "Ada").result(5)

    assert owner.view().alerts[0].seen_by == "Ada"
    with pytest.raises(CrewMistake, match="no open alert 999999"):
        Crew(owner).acknowledge(999_999, "Ada")
    owner.stop()
