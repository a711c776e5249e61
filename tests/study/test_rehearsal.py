"""Goal: rehearsed nights agree with the closed forms where these hold, and repeat by their seed.

Method: small shows whose answer is known (counters with dead time, Erlang B, charge drawn), many
nights, three sigma of all their groups together; cones and faults by hand.
"""

from dataclasses import replace
from math import copysign, exp, sqrt

import pytest

from haunt.study.chance import Chance
from haunt.study.outlook import Spread, outlook
from haunt.study.rehearsal import (
    AFTER_MS,
    BEFORE_MS,
    Plan,
    Rehearsed,
    ground_of,
    lack_of,
    rehearse_one,
)
from haunt.study.telling import ROUGH, Faults, recording_of
from haunt.study.traffic import FLAT, INVENTED, Habits
from haunt.study.walkers import Seen, Span, Walk, seen_by, sights_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile
from haunt.workshop.deadtime import answered_share, blocked_share
from tests.outside.registry import outside

HOUR_MS = 3_600_000
NIGHTS = 16
HOURS = 4
REPORT_S = 0.08
"""What the wire takes of every play, beside its length in the file."""
ALONE = Habits(sizes=(1,), stays_ms=0)
CALM = Plan(profile=FLAT, groups=240, faults=Faults(), leaving=0, hours=HOURS, habits=ALONE)


def a_show(sensor: str = "", props: str = "", rest: str = "") -> ShowFile:
    """One beam; every prop hears of it at once and nobody waits."""
    return read_show(
        f"""
[show]
id = "yard"
time_zone = "UTC"
walking_speed_m_s = 0.7
[limits]
patience_s = 0
{rest}
[[board]]
id = "b1"
x_m = 0
y_m = 0
idle_ma = 50
battery = {{ chemistry = "lipo", series = 2, capacity_mah = 2000 }}
[[sensor]]
id = "beam"
board = "b1"
kind = "beam"
{sensor}
{props or a_prop("gate")}
""",
        "yard",
    ).show


def a_prop(name: str, cooldown_s: float = 16, durations_s: tuple[float, ...] = (4,)) -> str:
    acts = "".join(
        f'[[prop.behaviour]]\nid = "a{n}"\nduration_s = {each}\naverage_ma = 900\n'
        for n, each in enumerate(durations_s)
    )
    link = f'[[link]]\nsensor = "beam"\nprop = "{name}"\n'
    return f'[[prop]]\nid = "{name}"\nboard = "b1"\ncooldown_s = {cooldown_s}\n{acts}{link}'


def nights(file: ShowFile, plan: Plan = CALM, count: int = NIGHTS) -> list[Rehearsed]:
    ground = ground_of(file, plan)
    return [rehearse_one(ground, plan, seed) for seed in range(count)]


def beyond(off: float, allowed: float) -> float:
    """What is left of a deviation that may be so large either way."""
    return copysign(max(0.0, abs(off) - allowed), off)


# --- closed forms


@pytest.mark.parametrize("durations_s", [(4,), (1, 7), (2, 4, 6)])
def test_a_lone_prop_answers_one_in_one_plus_n_tau_whatever_its_plays_are(
    durations_s: tuple[float, ...],
) -> None:
    """1 / (1 + n tau), Ahmed eq. 3.6.5; by the mean play alone (insensitivity). Three sigma of the
    share of some 4,000 groups, counted as a renewal process, and half a point for crossings.
    """
    found = nights(a_show(props=a_prop("gate", 16, durations_s)))
    visits = sum(each.figures.visits for each in found)
    answered = sum(each.figures.answered for each in found)
    load = CALM.groups / HOURS / 3600 * (20 + REPORT_S)

    expected = answered_share(CALM.groups / HOURS, 20 + REPORT_S)
    sigma = sqrt(load / (1 + load) ** 3 / visits)
    outside("dead-time/rehearsed").saw(beyond(answered / visits - expected, 0.005) / sigma)
    assert visits == sum(each.groups for each in found)
    assert visits == pytest.approx(NIGHTS * CALM.groups, abs=3 * sqrt(NIGHTS * CALM.groups))


def test_a_sensor_that_re_arms_when_clear_takes_exp_of_minus_n_tau() -> None:
    """exp(-n tau), the extending counter; tau is the lull and the 0.43 s that a beam is broken."""
    file = a_show(sensor="lull_s = 20\nlull_max_s = 3600", props=a_prop("gate", 0, (0.5,)))
    found = nights(file)
    groups = sum(each.groups for each in found)
    fired = sum(each.figures.fired for each in found)

    load = CALM.groups / HOURS / 3600 * 20.43
    share = exp(-load)
    sigma = sqrt(share * (1 - 2 * load * share) / groups)
    outside("dead-time/rehearsed").saw(beyond(fired / groups - share, 0.005) / sigma)


@pytest.mark.parametrize(("props", "rest_s"), [(2, 26), (3, 56)])
def test_props_that_take_turns_lose_groups_as_erlang_b_says(props: int, rest_s: float) -> None:
    """One of them starts and bars the others at that instant: a server each. Three sigma, and a
    third more since losses come in runs.
    """
    things = "".join(a_prop(f"p{n}", rest_s) for n in range(props))
    found = nights(a_show(props=things, rest="[stagger]\nradius_m = 5\ngap_s = 0.001"))
    groups = sum(each.groups for each in found)
    fired = sum(each.figures.fired for each in found)

    blocked = blocked_share(props, CALM.groups / HOURS / 3600 * (rest_s + 4 + REPORT_S))
    sigma = sqrt(blocked * (1 - blocked) / groups)
    outside("erlang-b/rehearsed").saw((1 - fired / groups - blocked) / sigma)
    assert sigma < blocked / 8  # else nothing would be shown


def test_a_pack_gives_what_idle_and_plays_draw() -> None:
    """50 mA all along, 900 mA more for 4 s and the wire's 80 ms a play, of 2,000 mAh. To 0.1 %."""
    for each in nights(a_show(), count=3):
        hours = HOURS + (BEFORE_MS + AFTER_MS) / HOUR_MS
        drawn = 50 * hours + each.figures.fired * 900 * (4 + REPORT_S) / 3600
        assert each.left_percent["b1"] == pytest.approx(100 - drawn / 20, rel=1e-3)
        assert each.figures.used_mah["b1"] == pytest.approx(drawn, rel=1e-3)


def test_a_pack_too_small_is_flat_before_the_close_and_its_prop_retires() -> None:
    file = a_show()
    small = file.boards[0].model_copy(
        update={"battery": file.boards[0].battery.model_copy(update={"capacity_mah": 300.0})}  # type: ignore[union-attr]
    )
    prop = file.props[0].model_copy(update={"retire_percent": 20})
    file = file.model_copy(update={"boards": (small,), "props": (prop,)})
    ground = ground_of(file, CALM)
    found = [rehearse_one(ground, CALM, seed) for seed in range(5)]
    pack = outlook(ground, CALM, found).packs[0]

    assert pack.flat_share == 1
    assert pack.flat_at_ms is not None
    assert ground.opens_ms < pack.flat_at_ms < ground.closes_ms
    assert all(each.figures.refused["low-battery"] > 0 for each in found)


# --- one night


def test_the_same_seed_is_the_same_night_and_another_is_another() -> None:
    file, plan = a_show(), replace(CALM, faults=ROUGH, habits=Habits())
    ground = ground_of(file, plan)

    assert rehearse_one(ground, plan, 7) == rehearse_one(ground, plan, 7)
    assert rehearse_one(ground, plan, 7).figures != rehearse_one(ground, plan, 8).figures


def test_faults_cost_groups_and_an_outage_is_told_late() -> None:
    often = replace(CALM, faults=Faults(link_lost_every_h=0.05, link_lost_s=60))
    calm, rough = nights(a_show(), count=3), nights(a_show(), often, 3)

    assert sum(e.figures.answered for e in rough) < sum(e.figures.answered for e in calm)
    assert all(e.figures.visits == e.groups for e in rough)  # they came all the same
    assert all(e.figures.refused["stale"] > 0 for e in rough)


def test_a_restart_begins_the_boards_numbers_anew() -> None:
    file = a_show(sensor="warm_up_s = 60")
    ground = ground_of(file, CALM)
    high = Seen({"beam": [Span(HOUR_MS * n, HOUR_MS * n + 400) for n in range(1, 60)]}, {})
    faults = Faults(restart_every_h=5)
    told = recording_of(ground.show, ground.sights, high, faults, Span(0, 60 * HOUR_MS), 3)

    boots = list(dict.fromkeys(each.boot for each in told.motions))
    assert len(boots) > 5
    for boot in boots:
        seqs = [each.seq for each in told.motions if each.boot == boot]
        assert seqs == list(range(1, len(seqs) + 1))


def test_those_who_leave_are_no_visitors() -> None:
    found = nights(a_show(), replace(CALM, leaving=1.0), 2)
    assert [each.groups for each in found] == [0, 0]
    assert all(each.figures.visits == 0 and each.figures.fired > 0 for each in found)


# --- what sensors see


def two(sensor: str) -> ShowFile:
    """The sensor under test at the entrance, another ten metres on."""
    text = a_show().model_copy()
    first = text.sensors[0].model_copy(update={"x_m": 0.0, "y_m": 1.0, "kind": sensor})
    second = first.model_copy(update={"id": "far", "x_m": 10.0})
    return text.model_copy(update={"sensors": (first, second)})


@pytest.mark.parametrize(
    ("kind", "range_m", "half_m"),
    # Across the path from a step beside it: the cone's half angle, or the range, is the nearer end.
    # 110 degrees: tan 55 = 1.43 m at one metre; 60 degrees: tan 30 = 0.58 m. Steps of 0.1 m.
    [("pir", 5.0, 1.43), ("pir", 1.2, 0.66), ("radar", 5.0, 0.58), ("beam", None, 0.15)],
)
def test_a_sensor_sees_what_lies_in_its_cone(
    kind: str, range_m: float | None, half_m: float
) -> None:
    file = two(kind)
    aimed = file.sensors[0].model_copy(update={"range_m": range_m, "aim_deg": -90.0})
    sight = sights_of(file.model_copy(update={"sensors": (aimed, file.sensors[1])}))[0]

    assert -sight.from_m == pytest.approx(half_m, abs=0.11)
    assert sight.until_m == pytest.approx(half_m, abs=0.11)
    assert sight.each == (kind == "beam")


def test_a_sensor_aimed_along_the_path_sees_those_who_come_and_not_those_who_went() -> None:
    file = two("pir")
    aimed = file.sensors[0].model_copy(update={"range_m": 5.0, "aim_deg": 0.0})
    sight = sights_of(file.model_copy(update={"sensors": (aimed, file.sensors[1])}))[0]

    assert sight.from_m > 0
    assert sight.until_m == pytest.approx(4.9, abs=0.11)


def test_a_beam_is_broken_by_each_and_a_pir_stays_high_for_the_group() -> None:
    """Three people at 0.7 m/s, a metre a person and second: three rises, or one."""
    walk = Walk(0, 3, 0.7, (2000, 2000))
    for kind, rises in (("beam", 3), ("pir", 1)):
        sights = sights_of(two(kind))[:1]
        seen = seen_by(sights, [walk], 0.0, Chance(1, "eyes"))
        assert len(seen.high["beam"]) == rises
        assert len(seen.passes["beam"]) == 1


def test_a_sensor_that_misses_everybody_rises_for_nobody_but_they_passed() -> None:
    seen = seen_by(sights_of(two("pir")), [Walk(0, 2, 0.7, (0, 0))], 1.0, Chance(1, "eyes"))
    assert seen.high["beam"] == []
    assert len(seen.passes["beam"]) == 1


# --- many nights


def test_a_spread_is_the_middle_and_eight_of_ten() -> None:
    spread = Spread.of([float(n) for n in range(101)])
    assert (spread.median, spread.low, spread.high, spread.mean) == (50, 10, 90, 50)
    assert Spread.of([3.0]) == Spread(3, 3, 3, 3)


def test_the_outlook_names_who_starves_and_who_lets_wait() -> None:
    things = a_prop("quick", 1) + a_prop("slow", 90)
    file = a_show(props=things)
    plan = replace(CALM, profile=INVENTED)
    ground = ground_of(file, plan)
    found = outlook(ground, plan, [rehearse_one(ground, plan, seed) for seed in range(3)])

    assert found.starved == "slow"
    assert {each.prop: each.why for each in found.props}["slow"] == "cooldown"
    assert found.props[0].share.median > found.props[1].share.median
    assert "invented" in found.source


def test_a_lone_prop_neither_starves_nor_lets_wait_longest() -> None:
    plan = replace(CALM, profile=INVENTED)
    ground = ground_of(a_show(), plan)
    found = outlook(ground, plan, [rehearse_one(ground, plan, 1)])

    assert [each.visits.median > 0 for each in found.props] == [True]
    assert (found.starved, found.slowest) == (None, None)


def test_what_nobody_could_answer_is_not_rehearsed() -> None:
    whole = a_show()
    unlinked = whole.model_copy(update={"links": ()})

    assert lack_of(whole) == ""
    assert lack_of(unlinked).startswith("no sensor is linked to a prop")
    assert lack_of(unlinked.model_copy(update={"props": ()})).startswith("the show has no prop")
