"""Goal: whoever breaks a promise in a simulated night is caught by those who watch it.

Method: each promise is broken on purpose, in the controller, in a board, in the broker or in the
store; the verdict must say so. A night in which nothing was broken must say nothing.
"""

from collections.abc import Callable
from typing import Any

import pytest

from haunt.bootstrap.firmware import make_brain
from haunt.core import events
from haunt.live.ports import Receipt, Record
from haunt.study.faults import NONE
from haunt.study.ports import Brain
from haunt.study.visitors import Traffic
from haunt.study.world import World
from tests.study.yards import yard

EVENING = 1_793_484_000_000
FILE = yard(4, props_a_board=2, props_a_sensor=1)
MINUTE_MS = 60_000


def night(make: Any = make_brain, groups: int = 200) -> World:
    world = World(
        FILE,
        make,
        seed=3,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=groups),
        faults=NONE,
    )
    return world.run(MINUTE_MS)


def sends_twice(world: World) -> None:
    send = world.running._send

    def twice(cue: Any) -> None:
        send(cue)
        send(cue)

    world.running._send = twice  # type: ignore[method-assign]


def sends_while_stopped(world: World) -> None:
    send = world.running._send
    kept: list[Any] = []

    def keep(cue: Any) -> None:
        kept.append(cue)
        send(cue)

    world.running._send = keep  # type: ignore[method-assign]
    world.run(MINUTE_MS)
    world.controller.order(lambda m, w: events.Stopped(m, w, "crew"), "stop")
    send(kept[-1]._replace(cue="late"))


def sends_an_old_epoch(world: World) -> None:
    send = world.running._send
    world.running._send = lambda cue: send(cue._replace(epoch=cue.epoch - 1))  # type: ignore[method-assign]


def confirms_at_once(world: World) -> None:
    receipts = world.running.receipts
    expect = receipts.expect

    def hasty(number: int, key: Any, receipt: Receipt | None, mono_ms: int) -> None:
        expect(number, key, None, mono_ms)
        if receipt is not None:
            world.controller.acknowledge(receipt)

    receipts.expect = hasty  # type: ignore[method-assign]


def never_confirms(world: World) -> None:
    world.running.receipts._acknowledge = lambda _receipt: None


def keeps_twice(world: World) -> None:
    world.store.listener = lambda records: world.log.kept([*records, *records])


def forgets_a_motion(world: World) -> None:
    """The broker takes every seventh motion, says so, and hands it to nobody."""
    session, came = world.air.session, [0]
    deliver = session.deliver

    def careless(topic: str, payload: bytes, qos: int) -> None:
        came[0] += topic.endswith("/motion")
        if not (topic.endswith("/motion") and came[0] % 7 == 0):
            deliver(topic, payload, qos)

    session.deliver = careless  # type: ignore[method-assign]


def forgets_an_item(world: World) -> None:
    """A trigger that waits is dropped: the core's own law notices first."""
    night, handle = world.running.arbiter.night, world.running.arbiter.handle

    def careless(event: Any) -> Any:
        found = handle(event)
        if night.items:
            night.items.clear()
        return found

    world.running.arbiter.handle = careless  # type: ignore[method-assign]


def gives_back_another_night(world: World) -> None:
    assert world.store._snapshot is not None
    world.store._snapshot[1]["props"]["p000"]["held_by"] = "nobody"
    world.run(10)
    world.controller.kill()
    world.controller.start()


def loses_a_board(world: World) -> None:
    world.run(MINUTE_MS)
    world.boards["b001"].power_off()


IN_THE_HOUSE: dict[str, tuple[Callable[[World], None], str]] = {
    "cue twice": (sends_twice, "sent twice"),
    "cue while stopped": (sends_while_stopped, "sent while stopped"),
    "cue of an old epoch": (sends_an_old_epoch, "of epoch"),
    "confirmed early": (confirms_at_once, "confirmed before it was kept"),
    "never confirmed": (never_confirms, "never confirmed"),
    "journalled twice": (keeps_twice, "journalled twice"),
    "motion lost": (forgets_a_motion, "vanished"),
    "trigger dropped": (forgets_an_item, "one decision for every motion"),
    "memory": (gives_back_another_night, "another night"),
    "board lost": (loses_a_board, "not healed"),
}


@pytest.mark.parametrize("promise", IN_THE_HOUSE)
def test_a_broken_promise_of_the_controller_is_found(promise: str) -> None:
    breaks, words = IN_THE_HOUSE[promise]
    world = night()
    assert world.verdict().troubles == ()

    breaks(world)
    world.run(3 * MINUTE_MS).heal()

    assert any(words in each for each in world.verdict().troubles), world.verdict().troubles


# --- boards


class Board:
    """The firmware's brain behind somebody who meddles with what it says and hears."""

    def __init__(self, brain: Brain) -> None:
        self._brain = brain
        self.due_ms, self.tally = brain.due_ms, brain.tally

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        return self._brain.step(ms, event)

    def hear_beats(self, topic: str, beats: list[tuple[int, bytes]]) -> list[tuple[Any, ...]]:
        """One by one, so that whoever meddles with its steps meddles with these too."""
        steps = (self.step(ms, ("message", topic, payload, False)) for ms, payload in beats)
        return [action for actions in steps for action in actions]


class PlaysOn(Board):
    """Its outputs never go off."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        actions = super().step(ms, event)
        return [each for each in actions if each[0] != "output" or each[3]]


class PlaysAgain(Board):
    """Each time it hears a cue it plays, whatever it has heard before."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        actions = super().step(ms, event)
        started = [each for each in actions if each[0] == "output" and each[3]]
        return [*actions, *started]


class PlaysByItself(Board):
    """Somebody in front of its sensor is enough for it."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        actions = super().step(ms, event)
        if event[0] == "sensor" and event[2]:
            actions = [("output", "p000", "glow", True), *actions]
        return actions


class PlaysAnother(Board):
    """It takes one behaviour for the other."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        other = {"rise": "glow", "glow": "rise"}
        return [
            (each[0], each[1], other[each[2]], each[3]) if each[0] == "output" else each
            for each in super().step(ms, event)
        ]


class Deaf(Board):
    """It hears no beat."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        if event[0] == "message" and event[1].endswith("/all/beat"):
            return []
        return super().step(ms, event)


class Miscounts(Board):
    """It counts motions that it never sends."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        said = super().step(ms, event)
        return [each for each in said if each[0] != "publish" or not each[1].endswith("/motion")]


AT_A_BOARD: dict[str, tuple[type[Board], str]] = {
    "beyond its time": (PlaysOn, "beyond its longest time"),
    "again": (PlaysAgain, "twice"),
    "without a cue": (PlaysByItself, "without a cue"),
    "another behaviour": (PlaysAnother, "told"),
    "deaf": (Deaf, "hears no beat"),
    "miscounts": (Miscounts, "sent fewer"),
}


@pytest.mark.parametrize("promise", AT_A_BOARD)
def test_a_broken_promise_of_a_board_is_found(promise: str) -> None:
    bad, words = AT_A_BOARD[promise]

    def make(config: dict[str, Any], boot: str, reset: str, ms: int) -> Board:
        return bad(make_brain(config, boot, reset, ms))

    world = night(make).run(2 * MINUTE_MS)
    world.controller.order(lambda m, w: events.Stopped(m, w, "crew"), "stop")
    world.run(5_000)
    world.controller.order(lambda m, w: events.StopReleased(m, w, "crew"), "release")
    world.run(MINUTE_MS).heal()

    assert any(words in each for each in world.verdict().troubles), world.verdict().troubles


def test_a_night_in_which_nothing_is_broken_is_told_so() -> None:
    world = night().run(3 * MINUTE_MS).heal()

    assert world.verdict().troubles == ()
    assert world.verdict().motions > 20
    assert world.healed_ms == 0


def test_of_two_copies_of_one_motion_each_is_confirmed() -> None:
    """A board that comes back says it again while the first copy still waits for the disk."""
    world = night(groups=0)
    world.controller.journal.stuck_until_ms = world.schedule.now_ms + 300
    world.boards["b000"].sense("s000")
    world.run(20)
    [queued] = world.air.session._unacked.values()

    world.air.session.deliver(queued.topic, queued.payload, 1)
    assert world.air.session.waiting == 1, "the broker has one copy, so the other may go"
    world.run(1_000)

    assert world.air.session.waiting == 0
    assert world.running.receipts.not_journalled == 0
    assert world.heal().verdict().troubles == ()


def test_a_receipt_that_comes_while_the_journal_settles_its_motion_is_given() -> None:
    """The journal's thread takes the motion between the owner's look and its note."""
    world = night(groups=0)
    receipts = world.running.receipts
    world.controller.journal.stuck_until_ms = world.schedule.now_ms + 300
    world.boards["b000"].sense("s000")
    world.run(20)
    [(number, (_since, key, receipt))] = receipts._due.items()
    assert receipt is not None
    record = Record(number, world.controller.mono_ms(), EVENING)

    class Settles(dict[Any, int]):
        """Whoever looks here is overtaken at once."""

        def get(self, wanted: Any, default: Any = None) -> Any:
            found = super().get(wanted, default)
            due = receipts._due.get(number)
            receipts.committed([record])
            if due is not None:  # what the owner had read before
                receipts._due[number] = due
            return found

    receipts._numbers = Settles(receipts._numbers)
    receipts.again(key, receipt)

    assert receipts.next_due_ms() is None, "nothing is left to wait for"
