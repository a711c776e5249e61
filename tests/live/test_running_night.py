"""Goal: bytes in, decisions and bytes out, on the virtual clock, with every port a fake.

Method: one night with two props; messages as boards send them.
"""

import json
from typing import Any

import pytest

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.events import Motion
from haunt.core.show import Behaviour, Show
from haunt.live.night import RunningNight
from haunt.live.ports import ActionRow, Arrival, LinkState, Receipt
from haunt.live.scene import Scene
from haunt.live.views import Labels, PropWord
from tests.core.stage import EVENING, prop, sensor, show
from tests.fakes.broker import FakeJournal, FakeOutbox
from tests.live.scenarios import EVENING_DAY

BOOT = "7f3a91c2d405"


class Evening:
    def __init__(
        self,
        *,
        memory: dict[str, Any] | None = None,
        start: int = 5_000_000,
        of: Show | None = None,
    ) -> None:
        of = of or show(prop(), sensor())
        self.outbox, self.journal, self.now = FakeOutbox(), FakeJournal(), start
        self.night = RunningNight(
            Arbiter(of, memory=memory), self.outbox, self.journal, clock_id="c1"
        )
        self.mid = 0
        self.night.advance(self.now, EVENING)

    def begin(self) -> "Evening":
        self.night.link(LinkState(up=True, mono_ms=self.now, wall_ms=EVENING))
        self.wait(300)
        self.tell("b1/presence", state="here", boot=BOOT, conn=1, up_ms=90_000, reset="soft")
        return self

    def tell(self, topic: str, *, retain: bool = False, **payload: Any) -> Receipt:
        return self.tell_raw(topic, json.dumps(payload).encode(), retain=retain)

    def tell_raw(self, topic: str, payload: bytes, *, retain: bool = False) -> Receipt:
        self.mid += 1
        receipt = Receipt(1, self.mid)
        self.night.receive(
            Arrival(f"haunt/garden/{topic}", payload, retain, self.now, EVENING, receipt)
        )
        return receipt

    def motion(self, seq: int, **more: Any) -> Receipt:
        return self.tell("b1/motion", sensor="pir", boot=BOOT, seq=seq, age_ms=0, **more)

    def wait(self, ms: int) -> None:
        until = self.now + ms
        while self.now < until:
            self.now = min(until, max(self.now + 1, self.night.next_due_ms(self.now)))
            self.night.advance(self.now, EVENING + self.now - 5_000_000)

    def reasons(self) -> list[tuple[str, str | None]]:
        return [
            (str(d.outcome), d.reason) for record in self.journal.records for d in record.decisions
        ]


def test_a_motion_becomes_a_cue_and_one_journal_record() -> None:
    evening = Evening().begin()

    evening.motion(1)

    [cue] = evening.outbox.of("b1/cue")
    assert cue["cue"] == f"b1-{BOOT}-1-gate"
    assert (cue["prop"], cue["behaviour"], cue["max_ms"], cue["ttl_ms"]) == (
        "gate",
        "growl",
        4500,
        1500,
    )
    [record] = [each for each in evening.journal.records if isinstance(each.event, Motion)]
    assert [str(each.outcome) for each in record.decisions] == ["fired"]


def test_what_a_board_does_alone_is_told_again_when_it_changes_and_only_then() -> None:
    evening = Evening(of=show(prop(alone="growl"), sensor())).begin()
    evening.wait(10_000)
    [first] = evening.outbox.of("b1/settings")
    assert (first["mode"], list(first["props"])) == ("alone", ["gate"])

    held = events.Held(evening.now, EVENING, "gate", None, "Ada")
    evening.night.order(held, ActionRow("Ada", "hold", "gate"))
    evening.wait(2_500)

    assert [each["mode"] for each in evening.outbox.of("b1/settings")] == ["alone", "still"]


def test_nothing_is_judged_before_the_retained_stop_was_waited_for() -> None:
    evening = Evening()
    evening.night.link(LinkState(up=True, mono_ms=evening.now, wall_ms=EVENING))
    evening.motion(1)
    assert evening.outbox.sent == []

    evening.tell("all/stop", retain=True, stopped=True, epoch=41, at_ms=1)
    evening.wait(1)

    assert evening.outbox.of("all/stop")[0] == {
        "stopped": True,
        "epoch": 42,
        "at_ms": evening.now,
    }
    assert evening.outbox.sent[0].topic.endswith("all/stop"), "stop goes out before the first beat"
    assert ("refused", "stopped") in evening.reasons()


def test_a_motion_is_acknowledged_when_committed_and_not_before() -> None:
    evening = Evening().begin()
    receipt = evening.motion(1)
    assert receipt not in evening.outbox.acknowledged

    evening.night.receipts.committed(evening.journal.records)

    assert receipt in evening.outbox.acknowledged
    assert evening.night.receipts.not_journalled == 0


def test_a_slow_disk_costs_a_count_after_half_a_second_not_a_sensor() -> None:
    evening = Evening().begin()
    receipt = evening.motion(1)
    evening.wait(499)
    assert receipt not in evening.outbox.acknowledged
    evening.wait(1)

    assert receipt in evening.outbox.acknowledged
    assert evening.night.receipts.not_journalled == 1
    evening.night.receipts.committed(evening.journal.records)
    assert evening.night.receipts.not_journalled == 0, "it was written after all"


def test_a_full_journal_never_delays_a_cue() -> None:
    evening = Evening().begin()
    evening.journal.room = 0

    receipt = evening.motion(1)

    assert len(evening.outbox.of("b1/cue")) == 1
    assert receipt in evening.outbox.acknowledged
    assert evening.night.receipts.not_journalled == 1


def test_a_redelivered_motion_waits_for_the_first_ones_commit() -> None:
    evening = Evening().begin()
    evening.motion(1)
    again = evening.motion(1)

    assert len(evening.outbox.of("b1/cue")) == 1
    assert again not in evening.outbox.acknowledged
    evening.night.receipts.committed(evening.journal.records)
    assert again in evening.outbox.acknowledged


def test_age_is_taken_from_the_beats_clock_where_the_board_gives_it() -> None:
    evening = Evening().begin()

    evening.motion(1, clock="c1", at_ms=evening.now - 60_000)

    assert evening.reasons()[-1] == ("refused", "stale")


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("b1/motion", b"not json"),
        ("b1/motion", b'{"sensor":"pir","boot":"7f3a91c2d405","seq":"1","age_ms":0}'),
        ("b1/motion", b" " * 3000),
        ("b1/report", b"[]"),
        ("b1/presence", b'{"state":"asleep"}'),
    ],
)
def test_nonsense_is_counted_acknowledged_and_changes_nothing(topic: str, payload: bytes) -> None:
    evening = Evening().begin()

    receipt = evening.tell_raw(topic, payload)
    evening.motion(1)

    assert sum(evening.night.tally.malformed.values()) == 1
    assert receipt in evening.outbox.acknowledged
    assert len(evening.outbox.of("b1/cue")) == 1


def test_a_late_will_never_marks_a_live_board_gone() -> None:
    evening = Evening().begin()
    evening.tell("b1/presence", state="here", boot=BOOT, conn=2, up_ms=95_000)
    evening.tell("b1/presence", state="gone", boot=BOOT, conn=1)

    evening.motion(1)

    assert len(evening.outbox.of("b1/cue")) == 1
    assert evening.night.boards.presence.late_wills == 1


def test_a_silent_board_is_lost_after_sixteen_seconds_and_back_with_its_next_word() -> None:
    evening = Evening().begin()
    evening.wait(15_000)
    assert evening.night.arbiter.night.boards["b1"].here
    evening.wait(2_000)
    assert not evening.night.arbiter.night.boards["b1"].here
    assert "lost b1" in evening.night.alerts

    evening.tell("b1/health", boot=BOOT, up_ms=110_000)

    assert evening.night.arbiter.night.boards["b1"].here
    assert "lost b1" not in evening.night.alerts


def test_a_cue_without_an_answer_is_unconfirmed_and_not_sent_again() -> None:
    evening = Evening().begin()
    evening.motion(1)
    evening.wait(1500)
    assert "gate" in evening.night.cues.unconfirmed
    evening.tell("b1/health", boot=BOOT, up_ms=110_000)
    evening.wait(1000)

    assert "unconfirmed gate" in evening.night.alerts
    assert len(evening.outbox.of("b1/cue")) == 1
    evening.tell("b1/report", cue=f"b1-{BOOT}-1-gate", boot=BOOT, state="started")
    assert "unconfirmed gate" not in evening.night.alerts


def test_a_beat_goes_out_every_two_seconds() -> None:
    evening = Evening().begin()
    before = len(evening.outbox.of("all/beat"))
    evening.wait(10_000)

    assert len(evening.outbox.of("all/beat")) - before == 5
    assert evening.outbox.of("all/beat")[-1]["clock"] == "c1"


def test_a_bug_of_ours_stops_the_show_and_says_so() -> None:
    evening = Evening().begin()
    evening.night.arbiter.night.owed += 1  # break the law of conservation on purpose

    evening.motion(1)

    assert "one decision for every motion" in evening.night.broken
    assert evening.outbox.of("all/stop")[-1]["stopped"] is True
    assert evening.outbox.of("b1/cue") == []


def test_a_higher_epoch_on_a_board_makes_the_controller_rise_above_it() -> None:
    evening = Evening().begin()
    evening.motion(1)
    evening.tell(
        "b1/report", cue=f"b1-{BOOT}-1-gate", boot=BOOT, state="refused", why="old-epoch", epoch=90
    )

    assert evening.outbox.of("all/stop")[-1]["epoch"] == 91


def test_a_person_is_answered_with_the_decision() -> None:
    evening = Evening().begin()

    [decision] = evening.night.order(
        events.FiredByHand(evening.now, EVENING, "gate", "key-1"), ActionRow("crew", "fire", "gate")
    )

    assert decision.outcome == "fired"
    assert evening.journal.records[-1].action == ActionRow("crew", "fire", "gate")


def test_after_a_restart_a_known_motion_is_not_played_again() -> None:
    evening = Evening().begin()
    evening.motion(1)
    memory = json.loads(json.dumps(evening.night.arbiter.snapshot()))

    again = Evening(memory=memory, start=evening.now + 1000).begin()
    again.motion(1)

    assert again.outbox.of("b1/cue") == []
    assert again.night.tally.duplicates == 1


def test_what_a_timer_did_just_before_a_repeated_motion_is_said_and_kept() -> None:
    """The timers that are due run with the message that comes first, be it worth nothing itself."""
    evening = Evening().begin()
    evening.motion(1)
    who = ActionRow("crew", "stop", "")
    evening.night.order(events.Stopped(evening.now, EVENING), who)
    evening.night.order(events.StopReleased(evening.now, EVENING), who)
    evening.now += 5000  # the count is over, and nobody has looked

    evening.motion(1)

    assert evening.night.tally.duplicates == 1
    assert not evening.night.arbiter.night.stopped
    told = evening.outbox.of("all/stop")[-1]
    assert (told["stopped"], told["epoch"]) == (False, evening.night.arbiter.night.epoch)
    assert isinstance(evening.journal.records[-1].event, events.Ticked)


def test_a_board_that_died_while_the_controller_was_down_is_noticed_by_its_silence() -> None:
    memory = json.loads(json.dumps(Evening().begin().night.arbiter.snapshot()))
    again = Evening(memory=memory, start=6_000_000)
    again.night.link(LinkState(up=True, mono_ms=again.now, wall_ms=EVENING))
    again.wait(300)
    assert again.night.arbiter.night.boards["b1"].here

    again.wait(17_000)

    assert not again.night.arbiter.night.boards["b1"].here


def test_a_will_left_while_the_controller_was_down_is_believed() -> None:
    memory = json.loads(json.dumps(Evening().begin().night.arbiter.snapshot()))
    again = Evening(memory=memory, start=6_000_000)
    again.night.link(LinkState(up=True, mono_ms=again.now, wall_ms=EVENING))
    again.wait(300)

    again.tell("b1/presence", retain=True, state="gone", boot=BOOT, conn=1)

    assert not again.night.arbiter.night.boards["b1"].here


def test_what_earlier_runs_decided_is_not_counted_beside_the_motions_of_this_one() -> None:
    evening = Evening().begin()
    evening.motion(1)
    memory = json.loads(json.dumps(evening.night.arbiter.snapshot()))
    again = Evening(memory=memory, start=evening.now + 60_000)
    scene = Scene(again.night, again.journal, Labels())

    before = scene.build(again.now, frozenset(), 0).counters
    again.begin().motion(2)
    after = scene.build(again.now, frozenset(), 0).counters

    assert (before.motions, before.fired, before.refused, before.lapsed) == (0, 0, 0, 0)
    assert after.motions == after.fired + after.refused + after.lapsed == 1


def test_doors_by_hand_have_no_closing_time_and_no_next_opening() -> None:
    evening_night = NightSpec(EVENING_DAY, TimeOfDay(16 * 60), TimeOfDay(20 * 60), 10)
    of = show(prop(), sensor(), calendar=CalendarSpec(nights=(evening_night,)))
    evening = Evening(of=of).begin()
    scene = Scene(evening.night, evening.journal, Labels())
    by_hours = scene.build(evening.now, frozenset(), 0)
    assert by_hours.closes_ms is not None
    assert by_hours.next_change == "last group"

    for state, is_open in (("open", True), ("closed", False)):
        order = events.DoorsSet(evening.now, EVENING, state, 0, "Mara")
        evening.night.order(order, ActionRow("Mara", "doors", state))
        evening.wait(100)
        view = scene.build(evening.now, frozenset(), 0)
        assert (view.doors, view.open) == (state, is_open)
        assert (view.closes_ms, view.next_change_ms) == (None, None)


def test_a_phase_by_hand_is_told_with_its_end() -> None:
    evening = Evening().begin()
    scene = Scene(evening.night, evening.journal, Labels())
    assert scene.build(evening.now, frozenset(), 0).hand_phase_until_ms is None

    order = events.PhaseByHand(evening.now, EVENING, "gentle", 180_000, "Mara")
    evening.night.order(order, ActionRow("Mara", "phase", "gentle"))
    view = scene.build(evening.now, frozenset(), 0)

    assert view.phases == ("gentle",)
    assert view.hand_phase_until_ms == view.at_ms + 180_000
    evening.wait(180_100)
    assert scene.build(evening.now, frozenset(), 0).hand_phase_until_ms is None


QUIET = QuietSpec(TimeOfDay(16 * 60), TimeOfDay(18 * 60), (), 65.0)
EARLY = PhaseSpec("early", TimeOfDay(0), TimeOfDay(0), max_intensity=2)


@pytest.mark.parametrize(
    ("calendar", "word", "barred"),
    [
        (CalendarSpec(quiet=(QUIET,)), PropWord.CLOSED, "quiet-hours"),
        (CalendarSpec(phases=(EARLY,)), PropWord.CLOSED, "audience"),
        (CalendarSpec(), PropWord.READY, ""),
    ],
)
def test_a_prop_that_nobody_can_set_off_now_is_not_called_ready(
    calendar: CalendarSpec, word: PropWord, barred: str
) -> None:
    howl = (Behaviour("howl", 1000, level_dba=80.0, intensity=3),)
    evening = Evening(of=show(prop(behaviours=howl), sensor(), calendar=calendar)).begin()

    view = Scene(evening.night, evening.journal, Labels()).build(evening.now, frozenset(), 0)

    assert [(each.word, each.barred) for each in view.props.values()] == [(word, barred)]
