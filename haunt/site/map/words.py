"""What stands beside the drawn map: levels, walking times and neighbours in words and digits."""

from collections.abc import Iterator
from typing import Final, NamedTuple

from haunt.site.map.moving import place_words
from haunt.site.view_models import Badge
from haunt.study.loudest import Loudest, Source
from haunt.study.places import Kind, Thing
from haunt.study.siteplan import Edge, SitePlan
from haunt.study.trail import Walk
from haunt.workshop.band import Band
from haunt.workshop.sound import outdoors

SOURCES_MAX: Final = 4
CHART: Final = (1000.0, 120.0)
CHART_STEP_DBA: Final = 10
OFF_S: Final = 1.0
"""Delays that differ from the map's by more than its band and this are pointed out."""

TITLES: Final = {
    Kind.PROP: "Props",
    Kind.SENSOR: "Sensors",
    Kind.BOARD: "Boards",
    Kind.SCARE: "Scare spots",
    Kind.BOUNDARY: "Boundary points",
    Kind.HAZARD: "Hazards",
}


class EdgeRow(NamedTuple):
    name: str
    level: str
    limit: str
    verdict: Badge
    sources: str


class WalkRow(NamedTuple):
    sensor: str
    prop: str
    told: str
    given_by: str
    mapped: str
    remark: str


class Bar(NamedTuple):
    """One look at the path, as a bar of the chart."""

    x: str
    y: str
    width: str
    height: str
    words: str


class Rung(NamedTuple):
    y: str
    words: str


class Chart(NamedTuple):
    bars: list[Bar]
    rungs: list[Rung]
    least: str
    most: str


class Input(NamedTuple):
    """A thing as two fields of a form; `by_board` where it has no place of its own."""

    kind: str
    key: str
    name: str
    sort: str
    x: str
    y: str
    was: str
    by_board: str
    is_needed: bool


class Inputs(NamedTuple):
    title: str
    rows: list[Input]


def _prop_names(plan: SitePlan) -> dict[str, str]:
    return {each.key: each.name for each in plan.things if each.kind is Kind.PROP}


def edge_rows(plan: SitePlan) -> list[EdgeRow]:
    return [_edge(plan, each) for each in plan.edges]


def _edge(plan: SitePlan, of: Edge) -> EdgeRow:
    limit = f"{of.point.max_level_dba:g} dBA"
    if of.loudest is None:
        return EdgeRow(of.point.name, "nothing sounds", limit, Badge("disc", "Within", ""), "")
    band = outdoors(of.loudest.level_dba)
    if of.is_over:
        verdict = Badge("cross", "Over", "now")
    elif band.high > of.point.max_level_dba:
        verdict = Badge("warn", "Within, but measure", "soon")
    else:
        verdict = Badge("disc", "Within", "")
    return EdgeRow(
        of.point.name, level_words(of.loudest), limit, verdict, sources(plan, of.loudest)
    )


def level_words(of: Loudest) -> str:
    band = outdoors(of.level_dba)
    most = "" if of.is_exact else "at most "
    return f"{most}{band.at:.0f} dBA ({band.low:.0f} to {band.high:.0f})"


def sources(plan: SitePlan, of: Loudest) -> str:
    """Who sounds, the loudest first."""
    names = _prop_names(plan)
    said = [_source(names, each) for each in of.playing[:SOURCES_MAX]]
    rest = len(of.playing) - SOURCES_MAX
    return ", ".join(said) + (f", and {rest} quieter" if rest > 0 else "")


def _source(names: dict[str, str], of: Source) -> str:
    return f"{names[of.prop]} {of.behaviour or 'idle'} {of.level_dba:.0f}"


def path_words(plan: SitePlan, speed_m_s: float) -> list[str]:
    trail = plan.trail
    if len(trail.stops) < 2:
        return ["There is no path: it takes two sensors with a place that are no buttons."]
    seconds = trail.length_m / speed_m_s
    said = [f"The path is {trail.length_m:.0f} m: {seconds:.0f} s at {speed_m_s:g} m/s."]
    if trail.is_circular:
        said.append("Links name each other as passed before: there the file's order was taken.")
    top = plan.loudest_on_path
    if top is not None:
        said.append(
            f"Loudest on it: {level_words(top.loudest)} at {top.metres:.0f} m "
            f"({sources(plan, top.loudest)})."
        )
    return said


def missing_words(plan: SitePlan) -> list[str]:
    names = _prop_names(plan)
    said = []
    nowhere = [each.name for each in plan.things if each.at is None and each.kind is not Kind.SCARE]
    if nowhere:
        said.append(f"Without a place, so not on the map: {', '.join(nowhere)}.")
    if plan.unplaced:
        without = ", ".join(names[each] for each in plan.unplaced)
        said.append(f"In no level, for want of a place: {without}.")
    if plan.unrated:
        without = ", ".join(names[each] for each in plan.unrated)
        said.append(f"Voices without level_dba, so in no level: {without}.")
    return said


def walk_rows(plan: SitePlan) -> list[WalkRow]:
    names = _prop_names(plan)
    return [_walk(names, each) for each in plan.walks]


def _walk(names: dict[str, str], of: Walk) -> WalkRow:
    given = {"delay": "fixed delay", "distance": "distance", "nothing": "nothing given"}
    told_s = of.told_ms / 1000
    mapped, remark = "not known", ""
    if of.map_m is not None and of.map_s is not None:
        mapped = f"{of.map_m:.1f} m, {_band(of.map_s)}"
        if told_s < of.map_s.low - OFF_S:
            remark = "comes early by the map"
        elif told_s > of.map_s.high + OFF_S:
            remark = "comes late by the map"
    return WalkRow(of.sensor, names[of.prop], f"{told_s:.1f} s", given[of.given_by], mapped, remark)


def _band(of: Band) -> str:
    return f"{of.at:.1f} s ({of.low:.1f} to {of.high:.1f})"


def pair_words(plan: SitePlan, *, voices: bool) -> list[str]:
    names = _prop_names(plan)
    pairs = plan.voices if voices else plan.neighbours
    return [f"{names[one]} and {names[other]}" for one, other in pairs]


def chart_of(plan: SitePlan) -> Chart | None:
    """Bars from a round level below the least; None where nothing is heard on the path."""
    levels = [each.loudest.level_dba for each in plan.path]
    if len(levels) < 2:
        return None
    low = int(min(levels) // CHART_STEP_DBA) * CHART_STEP_DBA
    high = -int(-max(levels) // CHART_STEP_DBA) * CHART_STEP_DBA
    wide, tall = CHART
    each_wide = wide / len(levels)

    def y_of(level: float) -> float:
        return tall * (1 - (level - low) / max(1, high - low))

    bars = [
        Bar(
            f"{n * each_wide:.1f}",
            f"{y_of(heard.loudest.level_dba):.1f}",
            f"{each_wide - 2:.1f}",
            f"{tall - y_of(heard.loudest.level_dba):.1f}",
            f"{heard.metres:.0f} m: {heard.loudest.level_dba:.0f} dBA",
        )
        for n, heard in enumerate(plan.path)
    ]
    rungs = [Rung(f"{y_of(at):.1f}", f"{at} dBA") for at in range(low, high + 1, CHART_STEP_DBA)]
    return Chart(bars, rungs, f"{plan.path[0].metres:.0f} m", f"{plan.path[-1].metres:.0f} m")


def inputs_of(plan: SitePlan, typed: dict[str, str]) -> Iterator[Inputs]:
    """Fields by kind; what was typed and refused stands in place of what is kept."""
    for kind, title in TITLES.items():
        rows = [_input(each, typed) for each in plan.things if each.kind is kind]
        if rows:
            yield Inputs(title, rows)


def _input(of: Thing, typed: dict[str, str]) -> Input:
    was = place_words(of.at if of.is_own else None)
    kept = was.split(",")
    by_board = ""
    if not of.is_own and of.at is not None:
        by_board = f"at its board: {place_words(of.at).replace(',', ', ')}"
    return Input(
        of.kind,
        of.key,
        of.name,
        of.sort,
        typed.get(f"x.{of.kind}.{of.key}", kept[0]),
        typed.get(f"y.{of.kind}.{of.key}", kept[1]),
        was,
        by_board,
        of.must_have_place,
    )
