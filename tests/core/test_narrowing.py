"""Goal: rules about behaviours narrow the choice, in table order, and bar only when none is left.

Method: props with several behaviours and shared limits; what fits, what is named, when it clears.
"""

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.show import Behaviour, LoadSpec, PropSpec, SensorSpec
from haunt.workshop.sound import level_at, power_of
from tests.core.stage import Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
DAY = (TimeOfDay(0), TimeOfDay(0))


def played(stage: Stage, times: int = 12) -> set[str]:
    """Return what plays over many motions."""
    start = len(stage.cues)
    for _ in range(times):
        stage.motion()
        stage.wait(1000)
        stage.finish()
    return {cue.behaviour for cue in stage.cues[start:]}


def alone(*behaviours: Behaviour, **more: object) -> Stage:
    return Stage(show(prop(behaviours=behaviours, cooldown_ms=0), sensor(), **more))


def phase(intensity: int | None = None, flash_mhz: int | None = None) -> CalendarSpec:
    return CalendarSpec(
        phases=(PhaseSpec("p", *DAY, max_intensity=intensity, max_flash_mhz=flash_mhz),)
    )


def quiet(dba: float | None, start: TimeOfDay, end: TimeOfDay) -> CalendarSpec:
    return CalendarSpec(quiet=(QuietSpec(start, end, max_level_dba=dba),))


# --- choice


def test_weights_say_how_often_each_is_drawn() -> None:
    several = tuple(Behaviour(name, 1000, weight=w) for name, w in (("a", 1), ("b", 2), ("c", 6)))
    stage = Stage(show(prop(behaviours=several, cooldown_ms=0), sensor()))
    counts = dict.fromkeys("abc", 0)
    for _ in range(600):
        stage.motion()
        counts[stage.cues[-1].behaviour] += 1
        stage.finish(state="refused", why="late")  # so that nothing is "the same again"

    assert sum(counts.values()) == 600
    for name, weight in (("a", 1), ("b", 2), ("c", 6)):
        expected = 600 * weight / 9
        assert abs(counts[name] - expected) < 4 * (expected * (1 - weight / 9)) ** 0.5


def test_a_weight_of_nothing_is_drawn_only_where_there_is_no_other() -> None:
    never, often = Behaviour("never", 1000, weight=0), Behaviour("often", 1000)
    third = Behaviour("third", 1000)

    assert played(alone(never, often, third)) == {"often", "third"}
    assert played(alone(never)) == {"never"}


# --- audience


def test_a_phase_narrows_by_intensity_and_the_level_itself_is_allowed() -> None:
    several = tuple(Behaviour(f"i{n}", 1000, intensity=n) for n in range(1, 6))

    assert played(alone(*several, calendar=phase(3)), 30) == {"i1", "i2", "i3"}
    assert verdicts(alone(several[3], calendar=phase(3)).motion()) == [("refused", "audience")]


def test_a_phase_narrows_by_flashes_and_the_rate_itself_is_allowed() -> None:
    slow, fast = Behaviour("slow", 1000, flash_mhz=3000), Behaviour("fast", 1000, flash_mhz=3001)

    assert played(alone(slow, fast, calendar=phase(None, 3000))) == {"slow"}
    assert verdicts(alone(fast, calendar=phase(None, 3000)).motion()) == [("refused", "audience")]


def test_a_factor_of_the_phase_stretches_the_rest() -> None:
    calm = CalendarSpec(phases=(PhaseSpec("calm", *DAY, cooldown_permille=2500),))
    stage = Stage(show(prop(), sensor(), calendar=calm))
    stage.plays()

    assert lines(stage.motion()) == [("refused", "cooldown", 25_000)]


def test_of_several_phases_the_largest_factor_counts_and_battery_multiplies() -> None:
    two = CalendarSpec(
        phases=(
            PhaseSpec("a", *DAY, cooldown_permille=2000),
            PhaseSpec("b", *DAY, cooldown_permille=500),
        )
    )
    tired = prop(stretch_percent=50, stretch_permille=1500)
    stage = Stage(show(tired, sensor(), calendar=two))
    stage.do(events.BoardHealth, "b1", "7f3a91c2d405", 0, 40)
    stage.plays()

    assert lines(stage.motion()) == [("refused", "cooldown", 30_000)]


# --- quiet hours


def test_quiet_hours_narrow_by_the_behaviours_own_level_and_equality_passes() -> None:
    soft, loud = Behaviour("soft", 1000, level_dba=60.0), Behaviour("loud", 1000, level_dba=60.1)

    assert played(alone(soft, loud, calendar=quiet(60.0, *DAY))) == {"soft"}
    stage = alone(loud, calendar=quiet(60.0, *DAY))
    assert lines(stage.motion()) == [("refused", "quiet-hours", None)]


def test_quiet_hours_without_a_level_bar_all_and_an_unknown_level_counts_as_loud() -> None:
    silent, unknown = Behaviour("silent", 1000, level_dba=0.0), Behaviour("unknown", 1000)

    assert verdicts(alone(silent, calendar=quiet(None, *DAY)).motion()) == [
        ("refused", "quiet-hours")
    ]
    assert played(alone(silent, unknown, calendar=quiet(90.0, *DAY))) == {"silent"}


def test_nothing_plays_into_the_silence() -> None:
    hush = quiet(50.0, TimeOfDay(17 * 60 + 1), TimeOfDay(1320))
    long, short = Behaviour("long", 4000, level_dba=80), Behaviour("short", 1000, level_dba=80)
    for before_ms, names in ((60_000, {"long"}), (4001, {"long"}), (4000, {"short"})):
        stage = alone(long, short, calendar=hush)
        stage.do(events.FiredByHand, "gate", "k0", "short")  # so that `long` is next where it may
        stage.finish()
        stage.wait(60_000 - before_ms)
        assert verdicts(stage.motion()) == FIRED
        assert {stage.cues[-1].behaviour} == names
    stage = alone(long, short, calendar=hush)
    stage.wait(59_000)
    assert verdicts(stage.motion()) == [("refused", "quiet-hours")]


def test_quiet_hours_end_with_their_last_minute() -> None:
    hush = quiet(None, TimeOfDay(960), TimeOfDay(17 * 60 + 1))
    stage = alone(Behaviour("soft", 1000), calendar=hush)
    stage.wait(59_999)
    assert verdicts(stage.motion()) == [("refused", "quiet-hours")]
    stage.wait(1)

    assert verdicts(stage.motion()) == FIRED


# --- closing (the table has it among the never rules, judged at the planned end too)


def test_hands_overrule_closing_but_not_quiet_hours() -> None:
    stage = alone(Behaviour("soft", 1000), calendar=quiet(None, *DAY))
    stage.do(events.DoorsSet, "closed")

    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("refused", "quiet-hours")]


# --- talk-over


def voices() -> Stage:
    both = (Behaviour("talk", 4000, voice=True), Behaviour("nod", 1000))
    only = (Behaviour("say", 4000, voice=True, patience_ms=5000),)
    return Stage(
        show(
            prop(behaviours=only, voice_neighbours=("well", "owl")),
            prop("well", "b2", behaviours=both, voice_neighbours=("gate",)),
            prop("owl", "b3", behaviours=only, voice_neighbours=("gate",)),
            sensor(),
            sensor("mat", "well", "b2"),
            sensor("beam", "owl", "b3"),
        )
    )


def test_while_one_speaks_its_neighbour_does_what_needs_no_voice() -> None:
    stage = voices()
    stage.motion()
    stage.wait(100)

    assert verdicts(stage.motion("mat")) == FIRED
    assert stage.cues[-1].behaviour == "nod"


def test_one_that_can_only_speak_waits_until_the_other_has_ended_at_the_latest() -> None:
    stage = voices()
    stage.motion()
    stage.wait(500)
    assert stage.motion("beam") == []

    assert verdicts(stage.wait(4000)) == FIRED


def test_talk_over_says_how_long_the_other_may_still_speak() -> None:
    stage = voices()
    stage.motion()
    stage.wait(500)
    stage.do(events.ShowChanged, stage.arbiter.night.show)
    hurried = stage.do(events.FiredByHand, "owl", "k1")

    assert lines(hurried) == [("refused", "talk-over", 4000)]


def test_a_silent_behaviour_of_a_neighbour_talks_over_nobody() -> None:
    stage = voices()
    stage.do(events.FiredByHand, "well", "k1", "nod")

    assert verdicts(stage.motion()) == FIRED


# --- shared limits


def shared(reason: str, limit: int, *amounts: int, ms: tuple[int, ...] = ()) -> Stage:
    """Return a stage of props p0, p1, … that draw these amounts of one limit."""
    things: list[PropSpec | SensorSpec] = []
    for n, amount in enumerate(amounts):
        lasts = ms[n] if ms else 2000
        behaviours = (Behaviour("go", lasts, draws=((0, amount),)),)
        things += [
            prop(f"p{n}", f"b{n}", behaviours=behaviours, cooldown_ms=0),
            sensor(f"s{n}", f"p{n}", f"b{n}"),
        ]
    return Stage(show(*things, loads=(LoadSpec(reason, "x", limit),)))


LOADS = ["supply", "flash", "sound-limit"]


@pytest.mark.parametrize("reason", LOADS)
def test_a_shared_limit_itself_passes_and_one_more_does_not(reason: str) -> None:
    stage = shared(reason, 1000, 600, 400, 1)
    stage.motion("s0")
    assert verdicts(stage.motion("s1")) == FIRED

    assert stage.motion("s2") == []
    assert stage.arbiter.night.props["p2"].waiting is not None


@pytest.mark.parametrize("reason", LOADS)
def test_what_alone_passes_the_limit_is_refused_at_once_without_a_margin(reason: str) -> None:
    stage = shared(reason, 1000, 1001)

    assert lines(stage.motion("s0")) == [("refused", reason, None)]


@pytest.mark.parametrize("reason", LOADS)
def test_a_shared_limit_clears_at_the_first_end_that_makes_room(reason: str) -> None:
    stage = shared(reason, 1000, 300, 300, 300, 700, ms=(1000, 5000, 2000, 1000))
    for name in ("s0", "s1", "s2"):
        stage.motion(name)
    stage.wait(500)

    assert stage.motion("s3") == []  # 900 play; room for 700 once p0 (1500) and p2 (2500) ended
    assert stage.wait(1999) == []
    assert [(d.prop, d.waited_ms) for d in stage.wait(1)] == [("p3", 2000)]


@pytest.mark.parametrize("reason", LOADS)
def test_a_limit_that_clears_too_late_says_when(reason: str) -> None:
    stage = shared(reason, 1000, 600, 600, ms=(9000, 1000))
    stage.motion("s0")
    stage.wait(500)

    assert lines(stage.motion("s1")) == [("refused", reason, 9000)]


def test_room_made_early_is_used_early() -> None:
    stage = shared("supply", 1000, 600, 600)
    stage.motion("s0")
    stage.wait(500)
    stage.motion("s1")
    stage.wait(300)

    assert [d.prop for d in stage.finish("p0")] == ["p1"]


def test_a_refused_cue_gives_its_share_back() -> None:
    stage = shared("supply", 1000, 600, 600)
    stage.motion("s0")
    stage.finish("p0", "refused", "late")

    assert verdicts(stage.motion("s1")) == FIRED


def test_sound_powers_add_and_not_levels() -> None:
    limit = power_of(60.0)
    soft, loud = power_of(level_at(76.9, 10.0)), power_of(level_at(77.0, 10.0))
    stage = shared("sound-limit", limit, soft, soft)
    stage.motion("s0")

    assert verdicts(stage.motion("s1")) == FIRED  # two of 56.9 dB are 59.9 dB, of 57 dB 60.01
    stage = shared("sound-limit", limit, loud, loud)
    stage.motion("s0")
    assert stage.motion("s1") == []


def test_nearer_than_a_metre_is_no_louder_than_at_one() -> None:
    assert level_at(80.0, 0.2) == level_at(80.0, 1.0) == 80.0


# --- several rules at once


def crowd(*behaviours: Behaviour) -> Stage:
    """Return a stage whose p0 plays on a supply, a view and a boundary, with the gate beside it."""
    loads = tuple(LoadSpec(reason, reason, 100) for reason in LOADS)
    hog = Behaviour("hog", 9000, voice=True, draws=((0, 100), (1, 100), (2, 100)))
    return Stage(
        show(
            prop("p0", "b0", behaviours=(hog,), voice_neighbours=("gate",)),
            prop(behaviours=behaviours, voice_neighbours=("p0",), cooldown_ms=0, duty_permille=1),
            sensor("s0", "p0", "b0"),
            sensor(),
            loads=loads,
        )
    )


SPEAKS = Behaviour("speaks", 1000, voice=True)
DRAWS = tuple(Behaviour(reason, 1000, draws=((n, 1),)) for n, reason in enumerate(LOADS))


@pytest.mark.parametrize(
    ("behaviours", "reason"),
    [
        ((SPEAKS,), "talk-over"),
        ((SPEAKS, DRAWS[0]), "supply"),
        ((DRAWS[0], SPEAKS), "supply"),
        ((SPEAKS, DRAWS[0], DRAWS[1]), "flash"),
        ((DRAWS[2], DRAWS[1], DRAWS[0], SPEAKS), "sound-limit"),
    ],
)
def test_rules_narrow_in_table_order_and_the_one_that_empties_the_set_is_named(
    behaviours: tuple[Behaviour, ...], reason: str
) -> None:
    stage = crowd(*behaviours)
    stage.motion("s0")

    assert lines(stage.motion()) == [("refused", reason, 9500)]


def test_one_behaviour_that_passes_all_is_enough() -> None:
    stage = crowd(SPEAKS, *DRAWS, Behaviour("still", 1000))
    stage.motion("s0")

    assert verdicts(stage.motion()) == FIRED
    assert stage.cues[-1].behaviour == "still"


def test_a_behaviour_falls_to_the_first_rule_that_bars_it() -> None:
    both = Behaviour("both", 1000, voice=True, draws=((1, 1),))
    stage = crowd(both, DRAWS[0])
    stage.motion("s0")

    assert verdicts(stage.motion()) == [("refused", "supply")]


@pytest.mark.parametrize(
    ("gap_ms", "reason", "left_ms"),
    [(9499, "supply", 9500), (9500, "stagger", 9500), (9501, "stagger", 9501)],
)
def test_a_limit_and_a_rule_that_clear_at_one_instant_are_named_in_table_order(
    gap_ms: int, reason: str, left_ms: int
) -> None:
    hog, hungry = (Behaviour(name, 9000, draws=((0, 10),)) for name in ("hog", "hungry"))
    stage = Stage(
        show(
            prop("p0", "b0", behaviours=(hog,), neighbours=("gate",)),
            prop(behaviours=(hungry,), neighbours=("p0",)),
            sensor("s0", "p0", "b0"),
            sensor(),
            loads=(LoadSpec("supply", "s", 10),),
            gap_ms=gap_ms,
        )
    )
    stage.motion("s0")

    assert lines(stage.motion()) == [("refused", reason, left_ms)]


@pytest.mark.parametrize(("gap_ms", "reason"), [(594_998, "duty"), (594_999, "duty")])
def test_duty_stands_before_stagger_where_both_clear_at_once(gap_ms: int, reason: str) -> None:
    turn = (Behaviour("turn", 4000, motor_on_ms=3000),)
    limited = prop(behaviours=turn, cooldown_ms=0, duty_permille=5, neighbours=("well",))
    well = prop("well", "b2", neighbours=("gate",))
    stage = Stage(show(limited, well, sensor(), gap_ms=gap_ms))
    stage.motion()  # its motor is out of the window 599,000 ms later
    stage.wait(4000)
    stage.finish()
    stage.wait(1)
    stage.do(events.FiredByHand, "well", "k1")

    assert lines(stage.motion()) == [("refused", reason, 594_999)]
