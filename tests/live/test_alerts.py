"""Goal: every fault opens one alert within a minute, says what to do, and closes when it is over.

Method: three scripted boards on the virtual clock; each kind is caused, then cured.
"""

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest

from haunt.core import events
from haunt.live.alerts.kinds import TERMS, Kind
from haunt.live.alerts.words import SAYINGS
from haunt.live.ports import ActionRow, JournalCounts
from tests.core.stage import EVENING
from tests.live.gardenstage import LIPO_FULL_MV, LIPO_LOW_MV, Garden

MINUTE_MS = 60_000
DATED = {"clock": "c1", "at_ms": 0}


class Case(NamedTuple):
    """`after_ms` is how long the fault needs to be one: a sensor is stuck after two minutes."""

    key: str
    cause: Callable[[Garden], None]
    cure: Callable[[Garden], None]
    after_ms: int = 0
    cured_ms: int = 200_000


def _nothing(_garden: Garden) -> None:
    pass


def _boot_loop(garden: Garden, reset: str) -> None:
    def again(number: int) -> None:
        garden.boards["b2"].start(f"{number:012x}", reset)

    for number in range(4):
        garden.after(12_000 * number, lambda n=100 + number: again(n))  # type: ignore[misc]


def _two_boards(garden: Garden) -> None:
    def speak(boot: str, conn: int) -> None:
        board = garden.boards["b2"]
        board.boot, board.conn = boot, conn
        board.hello()

    for turn in range(6):
        boot = ("bbbbbbbbbbbb", garden.boards["b2"].boot)[turn % 2]
        garden.after(9_000 * turn, lambda b=boot, c=turn: speak(b, c + 1))  # type: ignore[misc]


def _chatter(garden: Garden) -> None:
    garden.every(400, lambda: garden.boards["b2"].sense("s2"), 120)


def _stuck(garden: Garden) -> None:
    garden.boards["b2"].high = {"s2"}


def _unstuck(garden: Garden) -> None:
    garden.boards["b2"].high = set()


def _unconfirmed(garden: Garden) -> None:
    garden.boards["b2"].answers = False
    garden.boards["b2"].sense("s2")


def _confirmed(garden: Garden) -> None:
    garden.boards["b2"].answers = True
    garden.run(20_000)
    garden.boards["b2"].sense("s2")


def _reads(*mv: int) -> Callable[[Garden], None]:
    """Let the pack of b2 read these, one a health message, over and over."""

    def read(garden: Garden, value: int) -> None:
        garden.boards["b2"].battery_mv = value

    def cause(garden: Garden) -> None:
        for turn in range(10):
            garden.after(5_000 * turn, partial(read, garden, mv[turn % len(mv)]))

    return cause


def _stop(garden: Garden) -> None:
    garden.boards["b2"].hears_stop = False
    wall_ms = garden.schedule.wall_ms()
    garden.night.order(events.Stopped(garden.now, wall_ms, "crew"), ActionRow("crew", "stop", ""))


def _hears_after_all(garden: Garden) -> None:
    board = garden.boards["b2"]
    board.stopped, board.epoch = True, garden.night.arbiter.night.epoch


def _loses_a_motion(garden: Garden) -> None:
    garden.boards["b2"].sense("s2")
    garden.boards["b2"].lost_motions = 1
    garden.boards["b2"].sense("s2")


def _sends_nonsense(garden: Garden) -> None:
    garden.every(5_000, lambda: garden.tell_raw("b2/health", b'{"boot":7}'), 3)


def _is_no_part_of_it(garden: Garden) -> None:
    said = {"boot": "7f3a91c2d405", "up_ms": 4}
    garden.every(5_000, lambda: garden.tell("spare/health", **said), 4)


def _journal(counts: JournalCounts) -> Callable[[Garden], None]:
    def say(garden: Garden) -> None:
        garden.journal.counted = counts

    return say


def _journal_well(garden: Garden) -> None:
    garden.journal.counted, garden.journal.keeps = None, True


def _not_journalled(garden: Garden) -> None:
    garden.journal.keeps = False
    garden.boards["b2"].sense("s2")


CASES = {
    "silence": Case(
        "lost b2",
        lambda g: setattr(g.boards["b2"], "is_on", False),
        lambda g: g.boards["b2"].start(),
    ),
    "will": Case("lost b2", lambda g: g.boards["b2"].will(), lambda g: g.boards["b2"].start()),
    "brown-outs": Case("boot-loop b2", lambda g: _boot_loop(g, "brown-out"), _nothing),
    "watchdog": Case("boot-loop b2", lambda g: _boot_loop(g, "watchdog"), _nothing),
    "two boards": Case("two-boards b2", _two_boards, _nothing),
    "stuck": Case("stuck s2", _stuck, _unstuck, after_ms=120_000),
    "chatter": Case("chatter s2", _chatter, _nothing),
    "unconfirmed": Case("unconfirmed p2", _unconfirmed, _confirmed),
    "pack too high": Case("pack-odd b2", _reads(9_900), _reads(LIPO_FULL_MV)),
    "pack too low": Case("pack-odd b2", _reads(2_000), _reads(LIPO_FULL_MV)),
    "pack jumps": Case("pack-odd b2", _reads(LIPO_FULL_MV, 5_000), _reads(LIPO_FULL_MV)),
    "pack low": Case("pack-low b2", _reads(LIPO_LOW_MV), _reads(LIPO_FULL_MV)),
    "clock of a board": Case(
        "board-clock b2", lambda g: g.boards["b2"].sense("s2", **DATED), _nothing, cured_ms=330_000
    ),
    "own clock": Case(
        "clock", lambda g: g.schedule.step_wall(-EVENING), lambda g: g.schedule.step_wall(EVENING)
    ),
    "counters": Case("counters b2", _loses_a_motion, lambda g: g.boards["b2"].start("f" * 12)),
    "nonsense": Case("nonsense b2", _sends_nonsense, _nothing, cured_ms=330_000),
    "stranger": Case("stranger spare", _is_no_part_of_it, _nothing),
    "disk": Case(
        "disk",
        lambda g: setattr(g.shelf, "free", 150),
        lambda g: setattr(g.shelf, "free", 5_000),
    ),
    "journal fails": Case("journal", _journal(JournalCounts(1, 0, 3, "no space")), _journal_well),
    "journal behind": Case("journal", _journal(JournalCounts(1, 0, 9_000, "")), _journal_well),
    "not journalled": Case("journal", _not_journalled, _journal_well),
    "link": Case("link", lambda g: g.link(up=False), lambda g: g.link(up=True)),
    "deaf": Case("deaf b2", _stop, _hears_after_all),
}


def opened(case: Case) -> Garden:
    garden = Garden()
    garden.packs["b2"] = ("lipo", 2)
    garden.open()
    assert garden.keys() == [], "a calm garden has no alert"
    case.cause(garden)
    garden.run(case.after_ms + 50_000)
    return garden


@pytest.mark.parametrize("name", CASES)
def test_a_fault_is_named_once_within_a_minute_and_closed_when_it_is_over(name: str) -> None:
    case = CASES[name]
    garden = opened(case)

    assert garden.keys() == [case.key]
    [first] = garden.rows()
    assert first.state == "raised"

    case.cure(garden)
    garden.run(case.cured_ms)

    assert garden.keys() == []
    states = [each.state for each in garden.rows()]
    assert states[-1] == "cleared"
    assert states.count("cleared") == 1
    assert {(each.key, each.alert) for each in garden.rows()} == {(case.key, garden.number())}


@pytest.mark.parametrize("name", CASES)
def test_an_alert_says_what_it_is_where_and_what_to_do(name: str) -> None:
    alert = opened(CASES[name]).alert()

    assert alert.what
    assert alert.todo.endswith(".")
    assert "{" not in alert.what + alert.todo
    assert len(alert.todo) <= 110, "two short sentences"


def test_every_kind_of_fault_is_caused_here_or_in_a_test_of_its_own() -> None:
    caused = {each.key.split()[0] for each in CASES.values()}

    assert caused | {"silent", "lost-together", "pack-short"} == {str(kind) for kind in Kind}
    assert set(SAYINGS) == set(TERMS) == set(Kind)
