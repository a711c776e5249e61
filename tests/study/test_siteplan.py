"""Goal: the map's sums hold: where things stand, the way people walk, the loudest that rules allow.

Method: small invented shows; the search for the loudest is checked against every set there is, and
its decibels against a state authority's printed guide.
"""

from itertools import product
from math import log10

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from haunt.core.calendar import no_sunset
from haunt.live.prepare import prepare
from haunt.study.loudest import Loudest, Sounds
from haunt.study.places import Kind, things_of
from haunt.study.siteplan import Edge, SitePlan, plan_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile
from tests.outside.registry import outside

BOARD = '[[board]]\nid = "b"\nx_m = 0\ny_m = 0\n'
HEAD = '[show]\nid = "yard"\ntime_zone = "Europe/Berlin"\nwalking_speed_m_s = 1\n'


def show(*tables: str, head: str = HEAD) -> ShowFile:
    return read_show("\n".join((head, *tables)), "show").show


def prop(name: str, x: float, y: float, level: float = 80, more: str = "", **keys: float) -> str:
    duration = keys.get("duration_s", 5)
    return (
        f'[[prop]]\nid = "{name}"\nboard = "b"\nx_m = {x}\ny_m = {y}\n'
        f'[[prop.behaviour]]\nid = "howl"\nduration_s = {duration}\nlevel_dba = {level}\n{more}\n'
    )


def sensor(name: str, x: float, y: float, kind: str = "beam", more: str = "") -> str:
    return (
        f'[[sensor]]\nid = "{name}"\nboard = "b"\nkind = "{kind}"\nx_m = {x}\ny_m = {y}\n{more}\n'
    )


def link(sensor_id: str, prop_id: str, more: str = "") -> str:
    return f'[[link]]\nsensor = "{sensor_id}"\nprop = "{prop_id}"\n{more}\n'


def loudest(file: ShowFile, x: float, y: float) -> Loudest:
    found = Sounds(file, prepare(file).show, no_sunset).loudest((x, y))
    assert found is not None
    return found


def playing(found: Loudest) -> set[str]:
    return {f"{each.prop}-{each.behaviour or 'idle'}" for each in found.playing}


# --- levels


@pytest.mark.parametrize(
    ("sources", "printed_dba"), [(1, 50), (2, 53), (4, 56), (8, 59)], ids=lambda n: f"{n}"
)
def test_equal_sources_add_as_the_printed_guide_says(sources: int, printed_dba: int) -> None:
    """Minnesota Pollution Control Agency, A Guide to Noise Control (October 2008), figure 5: 1, 2,
    4 and 8 sources of 50 dBA are 50, 53, 56 and 59 dBA. Printed in whole dBA: within 0.5."""
    file = show(BOARD, *(prop(f"p{n}", 10, 0, 70) for n in range(sources)))
    assert loudest(file, 0, 0).level_dba == pytest.approx(printed_dba, abs=0.5)


def test_twice_the_distance_takes_six_decibels_as_the_printed_guide_says() -> None:
    """The same guide, figure 4: a point source of 95 dBA at 50 ft is 89 dBA at 100 ft; 0.5."""
    file = show(BOARD, prop("p", 0, 0, 95 + 20 * log10(15.24)))
    assert loudest(file, 15.24, 0).level_dba == pytest.approx(95, abs=0.05)
    assert loudest(file, 30.48, 0).level_dba == pytest.approx(89, abs=0.5)


def test_unequal_levels_add_as_printed() -> None:
    """Radio 62.0 dB and television 73.0 dB are 73.3 dB: www.10db.co.uk, decibel maths; 0.05 dB."""
    file = show(BOARD, prop("radio", 1, 0, 62), prop("television", 0, 1, 73))
    assert loudest(file, 0, 0).level_dba == pytest.approx(73.3, abs=0.05)


def test_a_prop_plays_one_behaviour_and_it_is_the_loudest() -> None:
    two = '[[prop.behaviour]]\nid = "sigh"\nduration_s = 3\nlevel_dba = 60'
    found = loudest(show(BOARD, prop("p", 1, 0, 80, two)), 0, 0)
    assert playing(found) == {"p-howl"}
    assert found.level_dba == pytest.approx(80)


def test_idle_sound_goes_on_beside_and_gives_way_to_a_behaviour() -> None:
    idle = "[prop.idle]\nlevel_dba = 70"
    one = prop("p", 1, 0, 60).replace("[[prop.beh", f"{idle}\n[[prop.beh")
    found = loudest(show(BOARD, one), 0, 0)
    assert playing(found) == {"p-idle"}, "a behaviour that is quieter than the idle sound"
    assert found.level_dba == pytest.approx(70)


STAGGER = "[stagger]\nradius_m = 5\ngap_s = {gap}\n"


@pytest.mark.parametrize(
    ("durations", "together"),
    [((5, 5), 1), ((5.001, 5), 2), ((10.001, 5.001, 1), 3), ((10, 5.001, 1), 2)],
)
def test_neighbours_sound_together_where_the_first_outlasts_the_gap(
    durations: tuple[float, ...], together: int
) -> None:
    props = [prop(f"p{n}", n, 0, duration_s=each) for n, each in enumerate(durations)]
    found = loudest(show(STAGGER.format(gap=5), BOARD, *props), 1, 5)
    assert len(found.playing) == together


def test_those_beyond_the_radius_do_not_wait_for_each_other() -> None:
    props = [prop("near", 0, 0), prop("far", 5.1, 0)]
    assert len(loudest(show(STAGGER.format(gap=9), BOARD, *props), 2, 0).playing) == 2


def test_of_two_voices_within_the_radius_one_speaks() -> None:
    voices = [prop("a", 0, 0, 80, "voice = true"), prop("b", 4, 0, 75, "voice = true")]
    mute = prop("c", 2, 0, 60)
    found = loudest(show("[stagger]\nvoice_radius_m = 4\n", BOARD, *voices, mute), 0, 1)
    assert playing(found) == {"a-howl", "c-howl"}


def test_the_boundary_limit_bars_sets_not_only_sounds() -> None:
    limits = '[limits]\nboundary = [{name = "fence", x_m = 0, y_m = 0, max_level_dba = 62}]\n'
    props = [prop("a", 10, 0, 80), prop("b", 0, 10, 80), prop("c", 0, -10, 70)]
    plan = plan_of(show(limits, BOARD, *props))
    (edge,) = plan.edges
    assert edge.loudest is not None
    assert playing(edge.loudest) == {"a-howl", "c-howl"}
    assert edge.loudest.level_dba <= 62
    assert not edge.is_over


def test_idle_sound_alone_can_pass_a_limit_that_the_rules_do_not_count_it_in() -> None:
    limits = '[limits]\nboundary = [{name = "fence", x_m = 0, y_m = 0, max_level_dba = 50}]\n'
    idle = prop("a", 5, 0, 40).replace("[[prop.beh", "[prop.idle]\nlevel_dba = 70\n[[prop.beh")
    edge: Edge = plan_of(show(limits, BOARD, idle)).edges[0]
    assert edge.is_over


def test_supplies_and_flashes_narrow_the_loudest_set() -> None:
    power = '[[supply]]\nid = "psu"\nvolts = 12\nlimit_a = 1\n'
    board = BOARD + 'supply = "psu"\n'
    hungry = [prop(f"p{n}", n, 0, 70 + n, "peak_ma = 600") for n in range(2)]
    assert playing(loudest(show(power, board, *hungry), 0, 5)) == {"p1-howl"}
    bright = [prop(f"p{n}", n, 0, 70 + n, "flash_hz = 2") for n in range(2)]
    assert playing(loudest(show("[limits]\nflash_hz = 3\n", BOARD, *bright), 0, 5)) == {"p1-howl"}


def test_phases_and_quiet_hours_hold_only_while_doors_are_open() -> None:
    night = '[[night]]\ndate = 2026-10-31\nopens = "18:00"\ncloses = "20:00"\nlast_group_min = 0\n'
    gentle = '[[phase]]\nname = "gentle"\nfrom = "17:00"\nto = "{to}"\nmax_intensity = 2\n'
    wild = prop("wild", 1, 0, 90, "intensity = 4")
    mild = prop("mild", 0, 1, 60, "intensity = 1")
    all_evening = show(night, gentle.format(to="20:00"), BOARD, wild, mild)
    assert playing(loudest(all_evening, 0, 0)) == {"mild-howl"}
    early = show(night, gentle.format(to="19:00"), BOARD, wild, mild)
    assert playing(loudest(early, 0, 0)) == {"mild-howl", "wild-howl"}
    hush = '[[quiet]]\nfrom = "17:00"\nto = "21:00"\nmax_level_dba = 70\n'
    assert playing(loudest(show(night, hush, BOARD, wild, mild), 0, 0)) == {"mild-howl"}


def test_a_show_without_nights_is_looked_at_through_a_week() -> None:
    hush = '[[quiet]]\ndays = ["mon", "tue", "wed", "thu", "fri", "sat"]\nmax_level_dba = 50\n'
    file = show(hush, BOARD, prop("p", 1, 0, 80))
    assert playing(loudest(file, 0, 0)) == {"p-howl"}, "on Sunday"
    always = hush.replace('"sat"]', '"sat", "sun"]')
    hushed = show(always, BOARD, prop("p", 1, 0, 80))
    assert Sounds(hushed, prepare(hushed).show, no_sunset).loudest((0, 0)) is None


def test_nothing_that_sounds_is_no_level() -> None:
    silent = prop("p", 1, 0).replace("level_dba = 80\n", "")
    plan = plan_of(show(BOARD, silent, sensor("s", 0, 0), sensor("t", 5, 0)))
    assert plan.path == ()
    assert plan.loudest_on_path is None


def test_a_prop_without_a_place_is_in_no_level_and_said_so() -> None:
    file = show('[[board]]\nid = "b"\n', prop("p", 1, 0).replace("x_m = 1\ny_m = 0\n", ""))
    plan = plan_of(file)
    assert plan.unplaced == ("p",)
    voice = prop("q", 1, 0, more="voice = true").replace("level_dba = 80\n", "")
    assert plan_of(show(BOARD, voice)).unrated == ("q",)


# --- every set there is, beside the search


def brute(file: ShowFile, spot: tuple[float, float]) -> float:
    """Try every choice of behaviours, and for stagger every order of whole gaps."""
    prepared = prepare(file).show
    best = 0.0
    rows = [[None, *each.behaviours] for each in prepared.props]
    at = {each.id: (each.x_m or 0.0, each.y_m or 0.0) for each in file.props}
    for chosen in product(*rows):
        live = [(p, b) for p, b in zip(prepared.props, chosen, strict=True) if b is not None]
        names = {p.id for p, _ in live}
        voices = {p.id for p, b in live if b.voice}
        sums = [0] * len(prepared.loads)
        for _, b in live:
            for load, amount in b.draws:
                sums[load] += amount
        if any(s > each.limit for s, each in zip(sums, prepared.loads, strict=True)):
            continue
        if any(voices & set(p.voice_neighbours) for p, b in live if b.voice):
            continue
        gap = prepared.gap_ms
        if gap and not any(
            all(a * gap < b.duration_ms for a, (_, b) in zip(ages, live, strict=True))
            and all(
                ages[i] != ages[j]
                for i, (p, _) in enumerate(live)
                for j, (q, _) in enumerate(live)
                if q.id in set(p.neighbours) & names
            )
            for ages in product(range(4), repeat=len(live))
        ):
            continue
        power = 0.0
        for p, b in live:
            away = max(1.0, ((at[p.id][0] - spot[0]) ** 2 + (at[p.id][1] - spot[1]) ** 2) ** 0.5)
            power += 10 ** (((b.level_dba or 0) - 20 * log10(away)) / 10)
        best = max(best, power)
    return 10 * log10(best) if best else 0.0


spots = st.integers(0, 8)


@st.composite
def yards(draw: st.DrawFn) -> ShowFile:
    props = [
        prop(
            f"p{n}",
            draw(spots),
            draw(spots),
            draw(st.integers(60, 90)),
            f"voice = {str(draw(st.booleans())).lower()}\npeak_ma = {draw(st.integers(0, 900))}",
            duration_s=draw(st.integers(1, 12)),
        )
        for n in range(draw(st.integers(1, 4)))
    ]
    point = "{name = 'fence', x_m = 9, y_m = 9, max_level_dba = "
    tables = [
        f"[stagger]\nradius_m = {draw(spots)}\ngap_s = {draw(st.integers(0, 5))}",
        f"voice_radius_m = {draw(spots)}",
        f"[limits]\nboundary = [{point}{draw(st.integers(55, 90))}}}]\n",
        f'[[supply]]\nid = "psu"\nvolts = 12\nlimit_a = {draw(st.sampled_from((1, 2, 9)))}\n',
        BOARD + 'supply = "psu"\n',
    ]
    return show(*tables, *props)


@settings(max_examples=60, deadline=None)
@given(yards(), spots, spots)
def test_the_search_finds_what_trying_every_set_finds(file: ShowFile, x: int, y: int) -> None:
    found = Sounds(file, prepare(file).show, no_sunset).loudest((x, y))
    expected = brute(file, (x, y))
    assert (found.level_dba if found else 0.0) == pytest.approx(expected, abs=0.1)
    assert found is None or found.is_exact


def test_a_search_that_gives_up_says_at_most_and_is_never_too_low() -> None:
    crowd = [prop(f"p{n}", n % 9, n // 9, 80, duration_s=3) for n in range(70)]
    file = show("[stagger]\nradius_m = 2.9\ngap_s = 3\n", BOARD, *crowd)
    found = loudest(file, 4, 30)
    everything = 80 + 10 * log10(70)
    assert not found.is_exact
    assert found.level_dba < everything
    assert found.level_dba >= 10 * log10(sum(10 ** (e.level_dba / 10) for e in found.playing))


def test_even_then_a_boundary_point_is_not_said_to_be_passed() -> None:
    limits = '[limits]\nboundary = [{name = "fence", x_m = 4, y_m = 30, max_level_dba = 60}]\n'
    crowd = [prop(f"p{n}", n % 9, n // 9, 80, duration_s=3) for n in range(70)]
    plan = plan_of(show(limits, "[stagger]\nradius_m = 2.9\ngap_s = 3\n", BOARD, *crowd))
    (edge,) = plan.edges
    assert edge.loudest is not None
    assert edge.loudest.level_dba == pytest.approx(60)
    assert not edge.is_over


# --- places and path


def test_what_has_no_place_stands_at_its_board() -> None:
    file = show(BOARD, prop("p", 1, 2).replace("x_m = 1\ny_m = 2\n", ""), sensor("s", 4, 5))
    found = {f"{each.kind}:{each.key}": (each.at, each.is_own) for each in things_of(file)}
    assert found["prop:p"] == ((0, 0), False)
    assert found["sensor:s"] == ((4, 5), True)
    assert found["scare:p"] == (None, False)


def stops(plan: SitePlan) -> list[str]:
    return [each.of for each in plan.trail.stops]


def test_the_path_takes_the_files_order_but_after_comes_first() -> None:
    tables = [BOARD, sensor("c", 9, 0), sensor("a", 0, 0), sensor("b", 5, 0), prop("p", 1, 0)]
    plan = plan_of(show(*tables, link("c", "p", 'after = "b"\nwithin_s = 9')))
    assert stops(plan) == ["sensor:a", "sensor:b", "sensor:c"]
    assert plan.trail.length_m == 9
    assert not plan.trail.is_circular


def test_links_that_contradict_each_other_are_said() -> None:
    tables = [BOARD, sensor("a", 0, 0), sensor("b", 5, 0), prop("p", 1, 0)]
    round_about = [
        link("a", "p", 'after = "b"\nwithin_s = 9'),
        link("b", "p", 'after = "a"\nwithin_s = 9'),
    ]
    plan = plan_of(show(*tables, *round_about))
    assert stops(plan) == ["sensor:a", "sensor:b"]
    assert plan.trail.is_circular


def test_buttons_are_no_stops_and_scare_spots_follow_their_sensor() -> None:
    scare = prop("p", 5, 3).replace("[[prop.beh", "scare_spot = {x_m = 5, y_m = 1}\n[[prop.beh", 1)
    tables = [BOARD, sensor("a", 0, 0), sensor("x", 1, 1, "button"), sensor("b", 9, 0), scare]
    plan = plan_of(show(*tables, link("a", "p")))
    assert stops(plan) == ["sensor:a", "scare:p", "sensor:b"]


def test_a_sensor_that_looks_from_beside_is_passed_where_its_aim_crosses_the_way() -> None:
    pir = sensor("pir", 5, 4, "pir", "aim_deg = -90\nrange_m = 6")
    plan = plan_of(show(BOARD, sensor("a", 0, 0), pir, sensor("b", 10, 0)))
    assert plan.trail.stops[1].at == pytest.approx((5, 0))
    assert plan.trail.length_m == pytest.approx(10)


def test_a_side_looker_without_an_aim_is_passed_at_its_props_scare_spot() -> None:
    scare = prop("p", 5, 5).replace("[[prop.beh", "scare_spot = {x_m = 5, y_m = 0}\n[[prop.beh", 1)
    radar = sensor("radar", 5, 4, "radar")
    plan = plan_of(
        show(BOARD, sensor("a", 0, 0), radar, scare, sensor("b", 10, 0), link("radar", "p"))
    )
    assert stops(plan) == ["sensor:a", "scare:p", "sensor:b"]


def test_the_walk_of_a_link_is_along_the_path_to_where_the_prop_is_nearest() -> None:
    tables = [BOARD, sensor("a", 0, 0), sensor("b", 10, 0), prop("p", 6, 3), prop("q", -4, 0)]
    links = [link("a", "p", "distance_m = 2"), link("b", "p"), link("a", "q", "delay_s = 1.5")]
    walks = plan_of(show(*tables, *links)).walks
    assert [(each.told_ms, each.given_by) for each in walks] == [
        (2000, "distance"),
        (0, "nothing"),
        (1500, "delay"),
    ]
    assert walks[0].map_m == pytest.approx(6)
    assert walks[0].map_s is not None
    # 6 m at 0.5 to 1.2 m/s in the dark (common practice, no source); 1 m/s by this file.
    assert (walks[0].map_s.low, walks[0].map_s.at, walks[0].map_s.high) == pytest.approx((5, 6, 12))
    outside("practice/dark-walk").agrees(cases=2)
    assert walks[1].map_m == pytest.approx(0), "it lies behind who comes from the second sensor"


def test_a_sensor_or_prop_without_a_place_has_no_walk_by_the_map() -> None:
    bare = '[[board]]\nid = "b"\n'
    nowhere = prop("p", 1, 0).replace("x_m = 1\ny_m = 0\n", "")
    plan = plan_of(show(bare, sensor("a", 0, 0), sensor("c", 4, 0), nowhere, link("a", "p")))
    assert plan.walks[0].map_m is None
    assert plan_of(show(bare, prop("p", 1, 0))).trail.stops == ()


def test_levels_are_looked_at_along_the_whole_path() -> None:
    plan = plan_of(show(BOARD, sensor("a", 0, 0), sensor("b", 8, 0), prop("p", 4, 1)))
    assert [each.metres for each in plan.path] == list(range(9))
    top = plan.loudest_on_path
    assert top is not None
    assert (top.metres, top.at) == (4, (4, 0))


def test_neighbours_are_those_of_the_running_night() -> None:
    tables = ["[stagger]\nradius_m = 5\ngap_s = 5\nvoice_radius_m = 9\n", BOARD]
    props = [
        prop("a", 0, 0, more="voice = true"),
        prop("b", 5, 0),
        prop("c", 9, 0, more="voice = true"),
    ]
    plan = plan_of(show(*tables, *props))
    assert plan.neighbours == (("a", "b"), ("b", "c"))
    assert plan.voices == (("a", "c"),)


def test_what_a_sensor_sees_has_its_kinds_width() -> None:
    pir = sensor("pir", 0, 0, "pir", "aim_deg = 90\nrange_m = 5")
    beam = sensor("beam", 0, 0, "beam", "aim_deg = 0\nrange_m = 3")
    plan = plan_of(show(BOARD, pir, beam, sensor("mat", 1, 1, "mat")))
    assert [(each.sensor, each.spread_deg) for each in plan.fields] == [("pir", 100), ("beam", 0)]


@pytest.mark.parametrize("kind", list(Kind))
def test_only_boundary_points_and_hazards_need_a_place(kind: Kind) -> None:
    file = show(
        BOARD,
        prop("p", 1, 0),
        sensor("s", 0, 0),
        '[limits]\nboundary = [{name = "f", x_m = 1, y_m = 1, max_level_dba = 60}]\n',
        '[[hazard]]\nkind = "step"\nx_m = 1\ny_m = 1\n',
    )
    found = next(each for each in things_of(file) if each.kind is kind)
    assert found.must_have_place == (kind in {Kind.BOUNDARY, Kind.HAZARD})
