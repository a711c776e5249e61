"""Goal: one owner at a time, in order; nothing a thread brings can be lost or end it.

Method: a real owner's thread over a fake broker and journal, on a clock moved by hand.
"""

import json
from typing import Any

from haunt.core.arbiter import Arbiter
from haunt.live.crew import Crew
from haunt.live.night import RunningNight
from haunt.live.owner import ORDERS_MAX, Owner
from haunt.live.ports import Arrival, LinkState
from haunt.live.scene import Scene
from haunt.live.views import Labels
from tests.core.stage import EVENING, prop, sensor, show
from tests.fakes.broker import FakeJournal, FakeOutbox

BOOT = "7f3a91c2d405"


class HandClock:
    def __init__(self) -> None:
        self.now = 5_000_000

    def mono_ms(self) -> int:
        return self.now

    def wall_ms(self) -> int:
        return EVENING + self.now - 5_000_000


def build(**more: Any) -> tuple[Owner, RunningNight, FakeOutbox, HandClock]:
    clock, outbox, journal = HandClock(), FakeOutbox(), FakeJournal()
    running = RunningNight(Arbiter(show(prop(), sensor())), outbox, journal, clock_id="c1")
    running.advance(clock.now, clock.wall_ms())
    owner = Owner(running, Scene(running, journal, Labels()), clock, **more)
    return owner, running, outbox, clock


def arrival(clock: HandClock, topic: str, **payload: Any) -> Arrival:
    body = json.dumps(payload).encode()
    return Arrival(f"haunt/garden/{topic}", body, False, clock.now, clock.wall_ms())


def begin(owner: Owner, running: RunningNight, clock: HandClock) -> None:
    owner.deliver(LinkState(up=True, mono_ms=clock.now, wall_ms=clock.wall_ms()))
    clock.now += 300
    running.advance(clock.now, clock.wall_ms())
    owner.deliver(arrival(clock, "b1/presence", state="here", boot=BOOT, conn=1, up_ms=90_000))


def test_a_message_that_finds_nobody_at_work_is_handled_at_once() -> None:
    owner, running, outbox, clock = build()
    begin(owner, running, clock)

    owner.deliver(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0))

    assert len(outbox.of("b1/cue")) == 1


def test_a_message_never_overtakes_what_waits() -> None:
    owner, running, outbox, clock = build()
    begin(owner, running, clock)
    stop = Crew(owner).stop("crew")

    owner.deliver(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0))
    assert outbox.of("b1/cue") == []
    owner.start()
    owner.stop()

    assert stop.result(0) == ()
    assert outbox.of("b1/cue") == [], "the stop came first"


def test_a_full_queue_drops_and_counts_messages_but_lets_people_in() -> None:
    owner, _running, _outbox, clock = build(queue_max=2)
    owner._working.acquire()
    motion = arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0)
    assert [owner.deliver(motion) for _ in range(3)] == [True, True, False]
    answers = [Crew(owner).stop("crew") for _ in range(ORDERS_MAX + 1)]
    owner._working.release()
    owner.start()
    owner.stop()

    assert answers[0].result(0) == ()
    assert isinstance(answers[-1].exception(0), TimeoutError)
    assert owner.view().counters.queue_dropped == 1
    assert owner.view().stopped


def test_a_bug_in_the_shell_stops_the_show_and_the_owner_lives() -> None:
    owner, running, outbox, clock = build()
    begin(owner, running, clock)
    running.boards = None  # type: ignore[assignment]
    running.changed.clear()
    owner._queue.append(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0))
    owner.start()
    stop = Crew(owner).stop("crew")
    owner.stop()

    assert "AttributeError" in running.broken
    assert outbox.of("all/stop")[-1]["stopped"] is True
    assert stop.done() or stop.running()


def test_what_fails_again_and_again_stops_the_show_once() -> None:
    owner, running, outbox, clock = build()
    begin(owner, running, clock)
    before = running.arbiter.night.epoch
    for _ in range(4):
        running.fail(ValueError("a view that cannot be drawn"))

    assert running.arbiter.night.epoch == before + 1
    assert [each["stopped"] for each in outbox.of("all/stop")].count(True) == 1
    assert "a view that cannot be drawn" in running.broken


def test_a_message_handled_where_it_arrived_is_shown_within_a_quarter_of_a_second() -> None:
    owner, running, _outbox, clock = build()
    begin(owner, running, clock)
    running.changed.clear()
    owner._awake_at_ms = clock.now + 900  # the thread sleeps until its next look
    owner._next_view_ms = clock.now + 200
    owner._something.clear()

    owner.deliver(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0))

    assert owner._something.is_set(), "it is woken for the view"


def test_a_thread_that_wakes_for_a_view_anyway_is_not_woken_again() -> None:
    owner, running, _outbox, clock = build()
    begin(owner, running, clock)
    running.changed.add("gate")
    owner._awake_at_ms = owner._next_view_ms = clock.now + 1
    owner._something.clear()

    owner.deliver(arrival(clock, "b1/motion", sensor="pir", boot=BOOT, seq=1, age_ms=0))

    assert not owner._something.is_set()
