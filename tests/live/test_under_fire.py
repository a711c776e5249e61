"""Goal: a stop waits for nothing, is said until it is heard, and outlives what the journal lost.

Method: a real owner's thread behind a crowd of messages; a running night on the virtual clock with
boards that are deaf, a line without room, and a journal that loses records.
"""

import pytest

from haunt.core import events
from haunt.live.crew import Crew
from haunt.live.ports import ActionRow, JournalCounts
from haunt.live.shell import INSIST_MS
from haunt.wire.payloads import Stop
from tests.live.gardenstage import Garden
from tests.live.test_owner import BOOT, arrival, begin, build

CROWD = 1000


def stop(garden: Garden) -> None:
    event = events.Stopped(garden.now, garden.night.wall_of(garden.now), "mara")
    garden.night.order(event, ActionRow("mara", "stop", ""))


def stops_told(garden: Garden) -> int:
    return sum(each["stopped"] for each in garden.outbox.of("all/stop"))


def test_a_stop_goes_before_a_thousand_motions_that_wait() -> None:
    owner, running, outbox, clock = build()
    begin(owner, running, clock)
    owner._working.acquire()
    for seq in range(1, CROWD + 1):
        owner.deliver(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=seq, age_ms=0))
    heard = Crew(owner).stop("mara")
    owner._working.release()
    owner.start()
    owner.stop()

    assert heard.result(0) == ()
    assert outbox.of("b1/cue") == []
    assert running.tally.motions == CROWD


def test_a_release_asked_for_before_a_stop_does_not_undo_it() -> None:
    owner, running, _outbox, clock = build()
    begin(owner, running, clock)
    crew = Crew(owner)
    crew.stop("mara")
    crew.release_stop("ines")
    crew.stop("mara")
    owner.start()
    owner.stop()

    assert running.arbiter.night.stopped
    assert running.arbiter.night.release_at_ms is None


def test_a_stop_that_found_no_room_in_the_line_is_said_as_soon_as_there_is_some() -> None:
    garden = Garden().open()
    garden.outbox.up = False  # the line stands, and takes nothing
    stop(garden)
    garden.run(200)
    assert stops_told(garden) == 0
    assert garden.night.next_due_ms(garden.now) <= garden.now + INSIST_MS

    garden.outbox.up = True
    garden.run(100)

    assert stops_told(garden) == 1
    assert all(board.stopped for board in garden.boards.values())


def test_a_stop_is_said_again_until_every_board_that_is_here_has_confirmed_it() -> None:
    garden = Garden().open()
    deaf = garden.boards["b2"]
    deaf.hears_stop = False
    stop(garden)
    garden.run(5500)
    assert 4 <= stops_told(garden) <= 6, "once a second after its first"
    epoch = garden.night.arbiter.night.epoch
    assert {each["epoch"] for each in garden.outbox.of("all/stop") if each["stopped"]} == {epoch}

    deaf.hears_stop = True
    garden.run(2000)
    told = stops_told(garden)
    garden.run(10_000)

    assert deaf.stopped
    assert stops_told(garden) == told


def test_what_the_journal_lost_is_made_up_for_by_a_snapshot_once_it_writes_again() -> None:
    garden = Garden().open()
    garden.run(10_000)
    stop(garden)
    garden.journal.counted = JournalCounts(100, 3, 5, "disk full")
    before = len(garden.journal.records)
    garden.run(3000)
    assert not any(each.snapshot for each in garden.journal.records[before:]), "it would be lost"

    garden.journal.counted = JournalCounts(105, 3, 0, "")
    garden.run(2000)

    [kept] = [each.snapshot for each in garden.journal.records[before:] if each.snapshot]
    assert kept["night"]["stopped"]  # type: ignore[index]


def test_a_wall_clock_before_1970_stops_nothing() -> None:
    garden = Garden(wall_ms=-86_400_000).open()
    garden.boards["b1"].sense("s1")
    garden.run(5000)

    assert garden.night.broken == ""
    assert garden.fired("p1") == 1
    assert {each["wall_ms"] for each in garden.outbox.of("all/beat")} == {0}


@pytest.mark.parametrize(
    ("latched", "kept", "stopped"),
    [
        ((True, 7), None, True),
        ((True, 7), (False, 6), True),
        ((True, 7), (False, 8), False),
        ((False, 7), (True, 8), True),
        ((False, 7), (True, 6), False),
    ],
)
def test_of_latch_and_broker_the_newer_word_on_stop_counts_at_a_start(
    latched: tuple[bool, int], kept: tuple[bool, int] | None, stopped: bool
) -> None:
    garden = Garden()
    garden.night.known_stop = Stop(stopped=latched[0], epoch=latched[1], at_ms=0)
    garden.link(up=True)
    if kept is not None:
        garden.tell("all/stop", stopped=kept[0], epoch=kept[1], at_ms=0)
    garden.run(400)

    told = garden.outbox.of("all/stop")[0]
    assert told["stopped"] is stopped
    assert told["epoch"] == 1 + max(latched[1], kept[1] if kept is not None else 0)


def test_every_word_on_stop_is_latched_after_it_was_said() -> None:
    garden, latched = Garden(), list[tuple[bool, int]]()

    def latch(stopped: bool, epoch: int) -> None:
        said = garden.outbox.of("all/stop")[-1]
        assert (said["stopped"], said["epoch"]) == (stopped, epoch)
        latched.append((stopped, epoch))

    garden.night.latch = latch
    garden.open()
    assert latched
    stop(garden)

    assert latched[-1] == (True, garden.night.arbiter.night.epoch)
