"""Flashing light: what begins in the worst second of each field of view, and near steps."""

from collections import defaultdict

from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity
from haunt.study.places import apart_m
from haunt.wire.showmodels import Prop
from haunt.workshop.cautions import Topic
from haunt.workshop.flash import SCREEN_LIMIT, VENUE_LIMIT, onsets_most, together_most

NO_VIEW = "the garden"
STROBE_HZ = 2.0
GENTLE_INTENSITY = 2
HAZARD_M = 3.0


def checks(ground: Ground) -> Items:
    yield from _limit(ground)
    views: dict[str, list[Prop]] = defaultdict(list)
    for prop in ground.show.props:
        views[prop.view or NO_VIEW].append(prop)
        yield from _alone(ground, prop)
        yield from _near_hazards(ground, prop)
    for name, props in views.items():
        yield from _together(ground, name, props)
    yield from _gentle(ground)


def _most(ground: Ground) -> float:
    found = ground.show.limits.flash_hz
    return SCREEN_LIMIT if found is None else min(found, VENUE_LIMIT)


def _limit(ground: Ground) -> Items:
    chosen = ground.show.limits.flash_hz
    if chosen is None or chosen <= SCREEN_LIMIT:
        return
    too_much = chosen > VENUE_LIMIT
    yield Finding(
        Severity.MUST if too_much else Severity.NOTE,
        "flash-limit",
        ("limits", "flash_hz"),
        About("show", ground.show.info.id),
        f"limits.flash_hz allows {chosen:g} flashes a second"
        + (
            ", more than any figure in use."
            if too_much
            else ": a venue's figure. Signs before the queue say so."
        ),
        f"{SCREEN_LIMIT} a second is the careful figure.",
        Figure.of(chosen, VENUE_LIMIT if too_much else SCREEN_LIMIT, "/s"),
        Topic.STROBE,
    )


def _mhz(hertz: float | None) -> int:
    return round((hertz or 0) * 1000)


def _alone(ground: Ground, prop: Prop) -> Items:
    """A behaviour over the limit by itself never clears."""
    limit = _most(ground)
    for number, behaviour in enumerate(prop.behaviours):
        onsets = onsets_most(_mhz(behaviour.flash_hz))
        if onsets > limit:
            yield Finding(
                Severity.MUST,
                "flash-alone",
                ground.path("prop", prop.id, "behaviour", number, "flash_hz"),
                About("prop", prop.id),
                f"{behaviour.id} of {prop.id} flashes up to {onsets} times in a second, alone more "
                f"than the {limit:g} that are allowed.",
                f"{int(limit)} Hz or slower, or a light that swells instead of flashing.",
                Figure.of(onsets, limit, "/s"),
                Topic.STROBE,
            )


def _together(ground: Ground, name: str, props: list[Prop]) -> Items:
    """What the rules do not hold apart: everything if no limit is set, and idle light always."""
    limit = _most(ground)
    rates = {
        prop.id: max(
            [_mhz(each.flash_hz) for each in prop.behaviours]
            + [_mhz(prop.idle.flash_hz) if prop.idle is not None else 0]
        )
        for prop in props
    }
    if max(map(onsets_most, rates.values())) > limit:
        return  # told of the one that is over by itself
    idle = {p.id: _mhz(p.idle.flash_hz) if p.idle is not None else 0 for p in props}
    ruled = ground.show.limits.flash_hz is not None
    if ruled:
        worst = max(
            together_most([rates[p.id], *(idle[o.id] for o in props if o is not p)]) for p in props
        )
    else:
        worst = together_most(rates.values())
    if worst <= limit:
        return
    flashing = [each for each in props if rates[each.id]]
    names = ", ".join(each.id for each in flashing)
    yield Finding(
        Severity.MUST,
        "flash-together",
        ground.path("prop", flashing[0].id),
        About("prop", flashing[0].id),
        f"Seen together in {name}, {names} can flash {worst} times in a second; {limit:g} are "
        "allowed." + ("" if ruled else " No limits.flash_hz keeps them apart."),
        ("Slow their idle light down" if ruled else "Set limits.flash_hz = 3, slow them down")
        + ", or hide one from the other's view.",
        Figure.of(worst, limit, "/s"),
        Topic.STROBE,
    )


def _near_hazards(ground: Ground, prop: Prop) -> Items:
    spot = ground.spot(prop)
    if spot is None:
        return
    for number, behaviour in enumerate(prop.behaviours):
        if (behaviour.flash_hz or 0) < STROBE_HZ:
            continue
        for hazard in ground.show.hazards:
            away_m = apart_m(spot, (hazard.x_m, hazard.y_m))
            if away_m <= HAZARD_M:
                yield Finding(
                    Severity.SHOULD,
                    "strobe-hazard",
                    ground.path("prop", prop.id, "behaviour", number, "flash_hz"),
                    About("prop", prop.id),
                    f"{behaviour.id} of {prop.id} flashes {away_m:.1f} m from a {hazard.kind}: "
                    "people misjudge it.",
                    f"Light the {hazard.kind} steadily, or flash elsewhere.",
                    Figure.of(away_m, HAZARD_M, "m", at_least=True),
                    Topic.STROBE,
                )


def _gentle(ground: Ground) -> Items:
    for number, phase in enumerate(ground.show.phases):
        if phase.max_intensity is None or phase.max_intensity > GENTLE_INTENSITY:
            continue
        most = STROBE_HZ if phase.max_flash_hz is None else phase.max_flash_hz
        shown = [
            f"{behaviour.id} of {prop.id}"
            for prop, _, behaviour in ground.behaviours()
            if STROBE_HZ <= (behaviour.flash_hz or 0) <= max(most, SCREEN_LIMIT)
            and behaviour.intensity <= phase.max_intensity
            and (phase.max_flash_hz is None or (behaviour.flash_hz or 0) <= phase.max_flash_hz)
        ]
        if shown:
            yield Finding(
                Severity.SHOULD,
                "gentle-strobe",
                ("phase", number),
                About("phase", phase.name),
                f"The gentle phase {phase.name} lets {', '.join(shown)} flash.",
                "max_flash_hz = 0 in that phase.",
                caution=Topic.STROBE,
            )
