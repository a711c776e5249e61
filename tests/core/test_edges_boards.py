"""Goal: what boards, sensors and restarts tell changes exactly what it speaks of, and nothing else.

Method: one message more than usual: a board never heard, a boot first heard by a motion, a prop
whose behaviour is in the show no more.
"""

import json

import pytest

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, SendCue, TellStop
from haunt.core.invariants import CoreBug, check, check_all
from haunt.core.night import STRANGERS_MAX, Item, Night
from haunt.core.rules import RULE
from haunt.core.show import Behaviour, Link, PropSpec, SensorSpec, Show
from tests.core.stage import BOOT, EVENING, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
NEW_BOOT = "0123456789ab"
SECOND_MS = 1_000


# --- boards


def test_a_board_that_was_never_heard_is_offline_for_nobody_knows_how_long() -> None:
    far = SensorSpec("mat", "b2", links=(Link("gate"),))
    arbiter = Arbiter(show(prop(), far))
    arbiter.handle(events.Started(1_000, EVENING, link_up=True))
    arbiter.handle(events.BoardHere(1_000, EVENING, "b2", BOOT, 60_000, "soft"))

    effects = arbiter.handle(events.Motion(2_000, EVENING + 1_000, "b2", "mat", BOOT, 1))

    assert lines([e for e in effects if isinstance(e, Decision)]) == [("refused", "offline", None)]
    assert RULE["offline"].scope == "prop"


def warming(reset: str, up_ms: int) -> list[tuple[str, str | None]]:
    """Hear a new boot by a motion first, which says neither; then its health, then a motion."""
    stage = Stage(show(prop(cooldown_ms=0), sensor(warm_up_ms=30_000)))
    stage.do(events.BoardHere, "b1", NEW_BOOT)
    stage.wait(SECOND_MS)
    stage.do(events.BoardHealth, "b1", NEW_BOOT, up_ms, None, (), reset)
    return verdicts(stage.do(events.Motion, "b1", "pir", NEW_BOOT, 2))


def test_health_tells_how_long_a_board_that_was_heard_before_has_been_up() -> None:
    assert warming("power-on", 60_000) == FIRED
    assert warming("power-on", 29_999) == [("refused", "warming-up")]
    assert warming("watchdog", 5_000) == FIRED, "its sensors had power all the time"


def test_after_a_new_boot_a_sensor_that_is_high_again_is_seen_again() -> None:
    """Its board counts from nought: less than before is not nobody."""
    stage = Stage(show(prop(), prop("well", "b2"), sensor(), sensor("mat", "well", "b2")))
    for board, name in (("b1", "pir"), ("b2", "mat")):
        stage.do(events.BoardHealth, board, BOOT, 3_600_000, None, ((name, 50_000),), "power-on")
    stage.wait(SECOND_MS)
    stage.do(events.BoardHere, "b1", NEW_BOOT, 0, "watchdog")
    stage.wait(SECOND_MS)
    stage.do(events.BoardHealth, "b1", NEW_BOOT, 900, None, (("pir", 400),), "watchdog")

    sensors = stage.arbiter.night.sensors
    assert sensors["pir"].last_seen_ms == stage.now
    assert sensors["mat"].active_ms == 50_000, "a neighbour's count is its own"


def test_a_sensor_that_the_show_does_not_know_hides_no_other_of_its_board() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.wait(SECOND_MS)
    stage.do(events.BoardHealth, "b1", BOOT, 0, None, (("ghost", 500), ("pir", 500)), "power-on")

    assert stage.arbiter.night.sensors["pir"].last_seen_ms == stage.now


def test_a_pack_retires_each_of_its_props_that_names_a_level() -> None:
    stage = Stage(show(prop(), prop("well", retire_percent=20), sensor(), sensor("mat", "well")))
    for _ in range(7):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 10)

    assert verdicts(stage.motion("mat")) == [("refused", "low-battery")]
    assert verdicts(stage.motion()) == FIRED


def retired() -> Stage:
    stage = Stage(show(prop(retire_percent=20), sensor()))
    for _ in range(7):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 10)
    return stage


def test_a_retired_prop_says_how_far_under_its_level_the_pack_is() -> None:
    stage = retired()
    assert lines(stage.motion()) == [("refused", "low-battery", 10)]

    stage.do(events.ShowChanged, show(prop(), sensor()))

    assert lines(stage.motion()) == [("refused", "low-battery", None)], "no level, no margin"


def test_a_retired_prop_whose_pack_is_at_its_level_again_says_no_margin() -> None:
    """It comes back at ten points more: until then it is not under its level, and still rests."""
    stage = retired()
    for _ in range(5):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 20)

    assert lines(stage.motion()) == [("refused", "low-battery", None)]


def test_back_by_hand_a_pack_must_be_low_three_times_again() -> None:
    stage = retired()
    stage.do(events.ServiceChanged, "gate", False, "ada")
    for _ in range(2):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 10)
        assert not stage.arbiter.night.props["gate"].retired

    stage.do(events.BoardHealth, "b1", BOOT, 0, 10)
    assert stage.arbiter.night.props["gate"].retired


def test_a_report_of_our_own_epoch_raises_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    epoch = stage.arbiter.night.epoch
    stage.do(events.Reported, "b1", stage.cues[0].cue, "started", "", epoch)

    assert stage.arbiter.night.epoch == epoch
    assert stage.stops == []


def test_reports_of_what_does_not_play_are_counted_and_refusals_of_it_are_not() -> None:
    stage = Stage(show(prop(), sensor()))
    for state in ("started", "finished", "refused"):
        stage.do(events.Reported, "b1", "no-such-cue", state, "repeat")

    assert stage.arbiter.night.odd_reports == 2


def test_every_board_of_the_show_is_known_by_its_own_sheet() -> None:
    night = Stage(show(prop(), prop("well", "b2"), sensor())).arbiter.night

    assert {name: board.spec.id for name, board in night.boards.items()} == {"b1": "b1", "b2": "b2"}
    assert [sensor.spec.id for sensor in night.boards["b1"].sensors] == ["pir"]
    assert night.boards["b2"].sensors == ()


# --- motions


def test_a_motion_is_known_again_whatever_sensor_it_names() -> None:
    """Board, boot and number are the motion; a redelivery that was garbled is the same one."""
    stage = Stage(show(prop(), sensor()))
    assert verdicts(stage.motion("shed-pir", seq=1)) == [("refused", "unknown-sensor")]

    assert stage.motion("pir", seq=1) == []
    assert stage.motion("pir", seq=1) == []
    assert stage.arbiter.night.duplicates == 2


def test_a_motion_of_an_unknown_board_is_known_again_after_a_restart() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Motion, "shed", "shed-pir", BOOT, 1)
    stage.restart(SECOND_MS)

    assert stage.do(events.Motion, "shed", "shed-pir", BOOT, 1) == []
    assert verdicts(stage.do(events.Motion, "shed", "shed-pir", BOOT, 2)) == [
        ("refused", "unknown-sensor")
    ]


def test_no_more_strangers_are_remembered_than_there_is_room_for() -> None:
    stage = Stage(show(prop(), sensor()))
    for n in range(STRANGERS_MAX + 5):
        stage.do(events.Motion, f"shed-{n}", "shed-pir", BOOT, 1)

    assert len(stage.arbiter.night.strangers) == STRANGERS_MAX


def test_of_two_props_that_a_sensor_sees_each_may_set_it_off() -> None:
    """The first has never played; the second just ended."""
    eye = sensor(sees=("gate", "well"), settle_ms=2_000, links=(Link("arch"),))
    stage = Stage(
        show(prop(), prop("well", "b2"), prop("arch", "b3"), eye, sensor("mat", "well", "b2"))
    )
    stage.plays("mat", "well")

    assert lines(stage.motion()) == [("refused", "self-trigger", 2_000)]


def test_lapsed_and_refused_are_counted_apart() -> None:
    eye = sensor(stays=True, fresh_ms=2_000)
    stage = Stage(show(prop(cooldown_ms=2_500), eye, sensor("mat")))
    stage.plays("mat")
    stage.motion()
    for _ in range(2):
        assert verdicts(stage.motion("mat")) == [("refused", "already-waiting")]
    stage.motion("shed-pir")
    stage.wait(2_500)

    night = stage.arbiter.night
    assert verdicts(stage.decisions[-1:]) == [("lapsed", "left")]
    assert (night.fired, night.refused, night.lapsed) == (1, 3, 1)


# --- restarts and changes of the show, in the middle of a behaviour


def howling() -> Show:
    return show(prop(behaviours=(Behaviour("howl", 1_000),)), sensor())


@pytest.mark.parametrize("way", ["change", "restart"])
def test_a_behaviour_that_is_in_the_show_no_more_plays_to_its_end(way: str) -> None:
    stage = Stage(show(prop(cooldown_ms=10_000), sensor()))
    stage.motion()
    stage.wait(SECOND_MS)
    if way == "change":
        stage.do(events.ShowChanged, howling())
    else:
        stage.restart(of=howling())
        stage.do(events.BoardHere, "b1", BOOT, 3_600_000, "power-on")
    gate = stage.arbiter.night.props["gate"]
    assert gate.play is not None
    assert gate.play.behaviour.id == "growl"

    stage.wait(3_499)
    assert stage.arbiter.night.props["gate"].play is not None
    assert lines(stage.motion()) == [("refused", "playing", 10_001)]
    stage.wait(1)
    assert stage.arbiter.night.props["gate"].play is None


def test_after_a_restart_a_report_still_ends_what_it_speaks_of() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    cue = stage.cues[0].cue
    stage.reload()
    stage.wait(SECOND_MS)
    stage.do(events.Reported, "b1", cue, "finished")

    assert stage.arbiter.night.props["gate"].play is None
    assert stage.arbiter.night.odd_reports == 0


def test_after_a_restart_a_refused_cue_still_undoes_its_start() -> None:
    stage = Stage(show(prop(cooldown_ms=1_000), sensor()))
    stage.plays()
    ended = stage.now
    stage.wait(1_000)
    stage.motion()
    stage.reload()
    gate = stage.arbiter.night.props["gate"]
    stage.finish(state="refused", why="late")

    assert (gate.last_end_ms, gate.last_behaviour) == (ended, "growl")
    assert gate.last_start_ms == ended - 4_000


# --- a broken law is noticed: the show is stopped by whoever calls


def a_night() -> Night:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 60_000),))))
    stage.motion()
    return stage.arbiter.night


def _cue(night: Night, epoch: int = 0) -> SendCue:
    return SendCue("b1", "c", night.epoch + epoch, "gate", "growl", 4_500, night.now_ms, None)


def stopped(night: Night) -> None:
    night.stopped = True


def board_gone(night: Night) -> None:
    night.boards["b1"].here = False


def no_link(night: Night) -> None:
    night.link_up = False


def locked(night: Night) -> None:
    night.props["gate"].locked_by = "ada"


def out(night: Night) -> None:
    night.props["gate"].out_of_service = True


@pytest.mark.parametrize("breaks", [stopped, board_gone, no_link, locked, out])
def test_a_cue_that_must_not_go_out_is_noticed(breaks: object) -> None:
    night = a_night()
    check(night, [_cue(night)])
    assert callable(breaks)
    breaks(night)

    with pytest.raises(CoreBug, match="cue c "):
        check(night, [_cue(night)])


def test_a_cue_of_another_epoch_and_a_stop_of_a_later_one_are_noticed() -> None:
    night = a_night()

    with pytest.raises(CoreBug, match="of epoch"):
        check(night, [_cue(night, epoch=-1)])
    check(night, [TellStop(stopped=False, epoch=night.epoch, at_ms=0)])
    with pytest.raises(CoreBug, match="beyond"):
        check(night, [TellStop(stopped=False, epoch=night.epoch + 1, at_ms=0)])


def waiting(night: Night) -> Item:
    [item] = night.items.values()
    item.prop.waiting = item
    night.waiting["gate"] = item
    night.now_ms = item.due_ms
    night.touched.add("gate")
    return item


def test_a_trigger_may_wait_for_as_long_as_its_patience_and_no_longer() -> None:
    night = a_night()
    item = waiting(night)
    night.now_ms += 3_000
    check(night, [])
    night.now_ms += 1

    with pytest.raises(CoreBug, match="beyond patience"):
        check(night, [])
    assert item.alive


def test_a_trigger_that_was_decided_or_is_counted_nowhere_must_not_wait() -> None:
    night = a_night()
    waiting(night).alive = False
    with pytest.raises(CoreBug, match="was decided"):
        check(night, [])

    night = a_night()
    night.items.pop(waiting(night).arrival)
    night.owed -= 1
    with pytest.raises(CoreBug, match="was decided"):
        check(night, [])


def test_only_what_an_event_touched_is_checked_and_a_prop_of_before_is_passed_over() -> None:
    night = a_night()
    waiting(night)
    night.now_ms += 60_000
    night.touched.clear()
    night.touched.add("a prop of the show before")

    check(night, [])
    with pytest.raises(CoreBug, match="beyond patience"):
        check_all(night)


def test_a_play_is_over_at_its_longest_time_and_not_after_it() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    night = stage.arbiter.night
    night.touched.add("gate")
    night.now_ms += 4_499
    check(night, [])
    night.now_ms += 1

    with pytest.raises(CoreBug, match="beyond its longest time"):
        check(night, [])


def test_timers_beyond_their_bound_are_noticed() -> None:
    night = a_night()
    bound = 16 * (len(night.props) + len(night.items) + 64)
    while len(night.heap) < bound:
        night.wake(1 << 50, None)
    check_all(night)
    night.wake(1 << 50, None)

    with pytest.raises(CoreBug, match="timers"):
        check_all(night)


def test_what_a_snapshot_holds_is_plain_enough_for_json() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 60_000),)), sensor("mat")))
    stage.motion()
    stage.motion("mat")
    memory = stage.arbiter.snapshot()

    assert json.loads(json.dumps(memory)) == memory
    assert isinstance(stage.arbiter.night.show.props[0], PropSpec)
