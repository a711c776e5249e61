"""Goal: every decision is said with its rule, the number, the limit and what would have changed it.

Method: each reason is brought about by the arbiter itself; the sentence is the one written here.
"""

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.decisions import Decision
from haunt.core.night import WALKING_MAX
from haunt.core.show import Behaviour, Link
from haunt.live.hands import Hands
from haunt.live.sentences import Names, reasons, said, sentence
from haunt.live.why.because import because
from tests.core.random_nights import Player, night_of
from tests.core.random_shows import show_of
from tests.core.stage import prop, sensor, show
from tests.live.scenarios import ALL_DAY, EVENING_DAY, SCENES, Crewed

NAMES = Names({"pir": "pir"}, {"gate": "Gate", "well": "Well"})
EXPECTED = {
    "unknown-sensor": "Refused: unknown sensor, loft-pir of board b1 is none of the show's 1. "
    "Entered in the show file under b1 it would have counted.",
    "muted": "Refused: muted, 4 min left of 10 min. pir muted since 17:00:00 UTC by Mara. "
    "Unmuted, it would have counted.",
    "warming-up": "Refused: warming up, 12.0 s left of 45 s. Board b1 was powered up at 17:00:00 "
    "UTC. A motion 12.0 s later would have counted.",
    "block-time": "Refused: block time, 2.1 s left of 4 s. pir was accepted at 17:00:00 UTC. "
    "A motion 2.1 s later would have counted, or a shorter block_s.",
    "lingering": "Refused: lingering, 2.1 s left of 3 s without movement. The same group counted "
    "at 17:00:00 UTC. A pause of 3 s would have made it a new group, or 45 s after the one that "
    "counted.",
    "wrong-way": "Refused: wrong way, first saw nobody within 20 s before, the last one 64.0 s "
    "before. Somebody past first within 20 s before would have counted.",
    "self-trigger": "Refused: self trigger, 1.4 s left of playing and 1.5 s to settle. pir sees "
    "Gate, which started at 17:00:00 UTC. A motion 1.4 s later would have counted.",
    "no-prop": "Refused: no prop, pir has 0 links. A link from it to a prop would have made "
    "something of it.",
    "stale": "Refused: stale, 4.1 s beyond the patience of 3 s. A report 4.1 s sooner would have "
    "counted, or more patience_s.",
    "stopped": "Refused: stopped since 17:00:00 UTC by Mara. Released, the show would have let it "
    "fire.",
    "walk-test": "Refused: walk test since 17:00:00 UTC by Mara. With the walk test ended it would "
    "have fired.",
    "closed": "Refused: closed, opens at 18:00:00 UTC. Doors opened by hand would have let it.",
    "held": "Refused: held, 42.0 s left of 60 s. Held by Mara at 17:00:00 UTC. Released, it would "
    "have fired.",
    "locked-out": "Refused: locked out. Mara works on it since 17:00:00 UTC. When Mara or an owner "
    "ends it, it would fire.",
    "out-of-service": "Refused: out of service since 17:00:00 UTC by Mara. Back in service it "
    "would have fired.",
    "offline": "Refused: offline, its board b1 was lost 2.1 s before. It went at 17:00:00 UTC. "
    "With the board here it would have fired.",
    "no-link": "Refused: no link, no broker since 17:00:00 UTC. With the broker there it would "
    "have fired.",
    "low-battery": "Refused: low battery, 5 points under its level: 15 % of at least 20 %. "
    "A charged pack would have let it, or a lower retire_percent.",
    "already-waiting": "Refused: already waiting, another group waits since 17:00:04 UTC, until "
    "17:00:06 UTC. One group waits for a prop; a shorter rest would have freed it sooner.",
    "playing": "Refused: playing, 12.5 s left of playing and rest (growl takes 4 s). It started "
    "growl at 17:00:00 UTC. A motion 12.5 s later would have fired.",
    "cooldown": "Refused: cooldown, 3.2 s left of 25 s. Fired for the previous group at 17:00:00 "
    "UTC. A motion 3.2 s later would have fired, or a rest of 21.8 s.",
    "hourly-cap": "Refused: hourly cap, 1 start in an hour of 1 allowed, the next in 96.0 s. "
    "A higher hourly_cap would have let it.",
    "duty": "Refused: duty, its motor would have run 120 s of at most 90 s in 10 min, room in "
    "6 min. A shorter motor_on_s would have fitted.",
    "audience": "Refused: audience, its mildest has intensity 3 of at most 2 in early. A gentler "
    "behaviour would have been let, or the same one in a later phase.",
    "quiet-hours": "Refused: quiet hours, its quietest has 80 dBA of at most 65 dBA, until "
    "18:00:00 UTC. A behaviour of 65 dBA or less would have been let.",
    "stagger": "Refused: stagger, 4.0 s left of 5 s. Gate started at 17:00:00 UTC. A motion 4.0 s "
    "later would have fired, or a shorter gap_s.",
    "talk-over": "Refused: talk over, 5.5 s left of 6 s. Gate speaks since 17:00:00 UTC. "
    "A behaviour without voice would have been let, or a motion after its end.",
    "supply": "Refused: supply, 2000 mA of at most 1999 mA on gate-psu, room in 5.5 s. "
    "A behaviour that draws less would have fitted, or a later motion.",
    "flash": "Refused: flash, 2 Hz of at most 1.5 Hz in view garden, room in 5.5 s. "
    "A calmer behaviour would have fitted, or a later motion.",
    "sound-limit": "Refused: sound limit, 3 dBA of at most 2 dBA at fence (give or take 6 dB), "
    "room in 5.5 s. A quieter behaviour would have fitted, or a later motion.",
    "left": "Too late: left, nobody reported for 2.9 s of at most 2 s. The group was last seen at "
    "17:00:04 UTC. Waited 2.9 s. Had they stayed until the prop was free, it would have fired.",
    "restart": "Too late: restart, the controller was starting at 17:00:09 UTC. Waited 4.0 s. "
    "With the controller up it would have been judged in time.",
}


def told(stage: Crewed, decision: Decision) -> dict[str, object]:
    found = because(stage.arbiter.night, decision, stage.hands)
    return decision._asdict() | {"because": found.as_json() if found is not None else None}


def test_there_is_a_scene_and_a_sentence_for_every_reason() -> None:
    assert set(SCENES) == set(EXPECTED) == set(reasons())


@pytest.mark.parametrize("reason", reasons())
def test_each_reason_is_said_with_its_number_its_limit_and_what_would_have_changed_it(
    reason: str,
) -> None:
    stage, decision = SCENES[reason]()

    assert decision.reason == reason
    assert sentence(told(stage, decision), NAMES) == EXPECTED[reason]


@pytest.mark.parametrize("reason", reasons())
def test_each_sentence_begins_with_the_rule_and_says_what_would_change_it(reason: str) -> None:
    stage, decision = SCENES[reason]()
    found = said(told(stage, decision), NAMES)

    assert found.what.split(": ")[1].startswith(reason.replace("-", " "))
    assert "would" in found.would or "Only" in found.would
    assert any(each.isdigit() for each in f"{found.what} {found.cause}")


@pytest.mark.parametrize("reason", reasons())
@pytest.mark.parametrize("margin", [None, 3200])
def test_a_row_without_facts_is_still_a_whole_sentence(reason: str, margin: int | None) -> None:
    row = {"outcome": "refused", "reason": reason, "source": "motion", "margin": margin}

    text = sentence(row)

    assert text.startswith(f"Refused: {reason.replace('-', ' ')}")
    assert text.endswith(".")
    assert not any(bad in text for bad in ("  ", "None", " .", " ,", "{", "()"))


def test_names_and_the_shows_own_clock_are_used() -> None:
    stage, decision = SCENES["stagger"]()
    names = Names({}, {"gate": "Gatekeeper"})

    text = sentence(
        told(stage, decision), names, lambda at_ms: f"<{at_ms % 86_400_000 // 3_600_000} h>"
    )

    assert "Gatekeeper started at <17 h>." in text


def test_a_stretched_rest_says_what_was_set() -> None:
    row = {
        "outcome": "refused", "reason": "cooldown", "source": "motion", "margin": 3200,
        "because": {"number": 25_000, "limit": 37_500},
    }  # fmt: skip

    assert sentence(row).startswith(
        "Refused: cooldown, 3.2 s left of 37.5 s (set 25 s, stretched)."
    )


def test_a_hair_above_a_limit_is_not_said_to_be_at_it() -> None:
    row = {
        "outcome": "refused", "reason": "sound-limit", "source": "motion", "margin": None,
        "because": {"number": 65, "limit": 65, "cause": "fence"},
    }  # fmt: skip

    assert "sound limit, just above 65 dBA at fence" in sentence(row)


def test_a_firing_says_by_whom_and_how_long_it_waited() -> None:
    fired = {"outcome": "fired", "reason": None, "behaviour": "growl", "source": "hand"}

    assert sentence(fired) == "Fired growl by hand."
    assert sentence({**fired, "source": "motion", "waited_ms": 1500}) == (
        "Fired growl after 1.5 s of waiting."
    )


# --- cases of one reason


def last(stage: Crewed, name: str = "pir") -> str:
    return sentence(told(stage, stage.motion(name)[-1]), NAMES)


def test_doors_paused_by_hand_are_said_with_the_name() -> None:
    stage = Crewed(show(prop(), sensor()))
    stage.order("doors", "paused", events.DoorsSet, "paused", by="Mara")

    assert last(stage) == (
        "Refused: closed, doors paused since 17:00:00 UTC by Mara. "
        "Doors open again would have let it."
    )


def test_what_would_end_after_closing_is_said_with_its_length_and_the_hour() -> None:
    night = NightSpec(EVENING_DAY, TimeOfDay(16 * 60), TimeOfDay(17 * 60), 1)
    stage = Crewed(show(prop(), sensor(), calendar=CalendarSpec(nights=(night,))))
    stage.wait(57_000)

    assert last(stage) == (
        "Refused: closed, its shortest behaviour of 4 s would have ended after 17:01:00 UTC. "
        "A later closes, or a shorter behaviour, would have let it."
    )


def test_a_hold_without_a_time_waits_for_a_person() -> None:
    stage = Crewed(show(prop(), sensor()))
    stage.order("hold", "", events.Held, None, None, by="Mara")

    assert last(stage).startswith(
        "Refused: held until somebody releases it. Held by Mara at 17:00:00 UTC."
    )


def test_a_prop_that_nobody_armed_yet_says_so() -> None:
    stage = Crewed(show(prop(arm_by_hand=True), sensor()))
    stage.do(events.Stopped, "Mara")
    stage.do(events.StopReleased, "Mara")
    stage.wait(6000)

    assert last(stage) == (
        "Refused: held, it is armed by hand and nobody has armed it yet. "
        "Armed by somebody who sees it, it would have fired."
    )


def test_what_was_seen_before_a_release_is_told_from_a_stop() -> None:
    stage = Crewed(show(prop(), sensor()))
    stage.do(events.Stopped, "Mara")
    stage.do(events.StopReleased, "Mara")
    stage.wait(6000)

    text = sentence(told(stage, stage.motion(age_ms=1500)[-1]), NAMES)

    assert text.startswith("Refused: stopped, it was seen before the release of 17:00:05 UTC.")


def test_a_phase_that_bars_flashes_says_how_many() -> None:
    early = CalendarSpec(phases=(PhaseSpec("early", *ALL_DAY, max_flash_mhz=0),))
    strobe = (Behaviour("strobe", 1000, flash_mhz=2000),)
    stage = Crewed(show(prop(behaviours=strobe), sensor(), calendar=early))

    assert "its calmest flashes at 2 Hz of at most 0 Hz in early" in last(stage)


def test_gentle_by_hand_is_named_as_the_phase() -> None:
    stage = Crewed(show(prop(behaviours=(Behaviour("roar", 1000, intensity=4),)), sensor()))
    stage.do(events.PhaseByHand, "gentle", 180_000, "Mara")

    assert "its mildest has intensity 4 of at most 2 in gentle" in last(stage)


def test_what_would_play_into_the_quiet_hours_says_when_they_begin() -> None:
    hush = CalendarSpec(quiet=(QuietSpec(TimeOfDay(17 * 60 + 1), TimeOfDay(18 * 60), (), None),))
    stage = Crewed(show(prop(behaviours=(Behaviour("howl", 9000),)), sensor(), calendar=hush))
    stage.wait(55_000)

    assert last(stage) == (
        "Refused: quiet hours, nothing may be heard, it would have played into those that begin "
        "at 17:01:00 UTC. Only after they end would it fire."
    )


def test_a_neighbour_whose_turn_it_is_is_named_though_it_did_not_start_just_now() -> None:
    stage = Crewed(
        show(
            prop(neighbours=("well",), cooldown_ms=0), prop("well", "b2", neighbours=("gate",)),
            sensor(), sensor("mat", "well", "b2"), gap_ms=8000,
        )
    )  # fmt: skip
    stage.motion()
    stage.wait(1000)
    assert last(stage, "mat").startswith("Refused: stagger, 7.0 s left of 8 s. Gate started at")
    stage.wait(3000)
    stage.finish()
    stage.wait(4500)

    assert "It is the turn of Well, which has waited longer." in last(stage)


def test_more_groups_than_can_be_minded_are_said_with_their_number() -> None:
    walk = sensor(links=(Link("gate", delay_ms=60_000),))
    stage = Crewed(show(prop(), walk))
    for _ in range(WALKING_MAX):
        stage.motion()

    assert last(stage).startswith("Refused: already waiting, 64 groups walk towards it")


def test_a_prop_that_was_taken_out_of_the_show_is_named() -> None:
    stage = Crewed(show(prop(), sensor(links=(Link("gate", delay_ms=5000),))))
    stage.motion()
    [decision] = stage.do(events.ShowChanged, show(prop("well"), sensor(links=())))

    assert sentence(told(stage, decision)).startswith(
        "Refused: no prop, gate was taken out of the show."
    )


@pytest.mark.parametrize("seed", range(40))
def test_every_decision_of_any_night_can_be_said(seed: int) -> None:
    player, count = Player(show_of(seed), show_of(seed + 1)), 0
    for step in night_of(seed, 60):
        before = len(player.effects)
        player.play([step])
        for effect in player.effects[before:]:
            if isinstance(effect, Decision) and effect.reason is not None:
                found = because(player.arbiter.night, effect, Hands())
                text = sentence(effect._asdict() | {"because": found and found.as_json()})
                assert "None" not in text
                assert text.endswith(".")
                count += 1
    assert count, "a night without a refusal says nothing"
