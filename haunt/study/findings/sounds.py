"""Sound: amplifier and speaker, levels at the property line, and at ears."""

from haunt.study.findings import needs
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.study.places import Spot, apart_m
from haunt.wire.showmodels import BoundaryPoint, Prop
from haunt.wire.showpower import Speaker
from haunt.workshop import sound
from haunt.workshop.band import Band
from haunt.workshop.cautions import Topic

EAR_M = 1.0
"""Where a visitor's ear is at nearest, if no scare_spot says else."""
LOUD_DBA, HARMFUL_DBA = 100.0, 115.0
"""NIOSH allows a quarter of an hour a day at the one and half a minute at the other."""


def checks(ground: Ground) -> Items:
    boundary = ground.show.limits.boundary
    sounding = [each for each in ground.show.props if _sounds(each)]
    if sounding and not boundary:
        yield Unchecked(needs.BOUNDARY, About("show", ground.show.info.id))
    for prop in sounding:
        yield from _levels(ground, prop)
        if prop.speaker is None:
            yield Unchecked(needs.SPEAKER, About("prop", prop.id))
        else:
            yield from _speaker(ground, prop, prop.speaker)


def _sounds(prop: Prop) -> bool:
    return prop.speaker is not None or any(
        each.voice or each.level_dba is not None for each in prop.behaviours
    )


def _levels(ground: Ground, prop: Prop) -> Items:
    spot = ground.spot(prop)
    if spot is None and ground.show.limits.boundary:
        yield Unchecked(needs.PLACE, About("prop", prop.id))
    for number, behaviour in enumerate(prop.behaviours):
        if behaviour.level_dba is None:
            if behaviour.voice:
                yield Unchecked(needs.LEVEL, About("prop", prop.id))
            continue
        path = ground.path("prop", prop.id, "behaviour", number, "level_dba")
        what = f"{behaviour.id} of {prop.id}"
        for point in ground.show.limits.boundary if spot is not None else ():
            assert spot is not None
            yield from _at_boundary(prop, what, behaviour.level_dba, (spot, point), path)
        yield from _at_ear(prop, what, behaviour.level_dba, spot, path)


def _at_boundary(
    prop: Prop,
    what: str,
    level_dba: float,
    between: tuple[Spot, BoundaryPoint],
    path: tuple[str | int, ...],
) -> Items:
    spot, point = between
    exact = sound.level_at(level_dba, apart_m(spot, (point.x_m, point.y_m)))
    there, limit = sound.outdoors(exact), point.max_level_dba
    about, figure = About("prop", prop.id), Figure(there, limit, "dBA")
    said = (
        f"{what} is about {there.at:.0f} dBA ({there.low:.0f} to {there.high:.0f}) at {point.name}"
    )
    if exact > limit:
        yield Finding(
            Severity.MUST,
            "boundary-alone",
            path,
            about,
            f"{said}, where {limit:g} dBA are allowed: it never plays.",
            f"Turn it down by {exact - limit:.0f} dB, turn the speaker away, or measure there.",
            figure,
        )
    elif there.high > limit:
        yield Finding(
            Severity.NOTE,
            "boundary-near",
            path,
            about,
            f"{said}; {limit:g} dBA are allowed, and an estimate outdoors is not surer.",
            "Measure there while it plays; a measured level replaces the estimate.",
            figure,
        )


def _at_ear(
    prop: Prop, what: str, level_dba: float, spot: Spot | None, path: tuple[str | int, ...]
) -> Items:
    away_m = EAR_M
    if prop.scare_spot is not None and spot is not None:
        away_m = max(EAR_M, apart_m(spot, (prop.scare_spot.x_m, prop.scare_spot.y_m)))
    there = sound.level_at(level_dba, away_m)
    if there < LOUD_DBA:
        return
    known = min(there, sound.LOUDEST_DBA)
    yield Finding(
        Severity.MUST if there >= HARMFUL_DBA else Severity.SHOULD,
        "hearing",
        path,
        About("prop", prop.id),
        f"{what} is {there:.0f} dBA at a visitor's ear, {away_m:.1f} m away: "
        f"{_time(sound.hearing_minutes(known))} a day is what grown ears bear.",
        "Turn it down, or keep people further away; small children are nearer the speaker.",
        Figure.of(there, LOUD_DBA, "dBA"),
        Topic.HEARING,
    )


def _time(minutes: float) -> str:
    return f"{minutes:.0f} minutes" if minutes >= 2 else f"{60 * minutes:.0f} seconds"


def _speaker(ground: Ground, prop: Prop, of: Speaker) -> Items:
    path, about = ground.path("prop", prop.id, "speaker"), About("prop", prop.id)
    if of.ohms is None or of.amplifier_w is None or of.amplifier_ohm is None:
        yield Unchecked(needs.SPEAKER, about)
        return
    load = sound.load_ohm(of.drivers, of.ohms, of.wiring)
    if load < of.amplifier_ohm:
        yield Finding(
            Severity.MUST,
            "speaker-load",
            path,
            about,
            f"{of.drivers} drivers of {of.ohms:g} ohm in {of.wiring} are {load:g} ohm; the "
            f"amplifier of {prop.id} is made for {of.amplifier_ohm:g} ohm: it overheats or shuts "
            "off.",
            "Wire them in series, or take drivers of more ohms.",
            Figure.of(load, of.amplifier_ohm, "ohm", at_least=True),
        )
        return
    each_w = sound.power_into_w(of.amplifier_w, of.amplifier_ohm, load) / of.drivers
    if of.watts is None or of.sensitivity_db is None:
        yield Unchecked(needs.SPEAKER, about)
    if of.watts is not None and each_w > of.watts:
        yield Finding(
            Severity.SHOULD,
            "speaker-power",
            path,
            about,
            f"The amplifier can put {each_w:.1f} W into each driver of {prop.id}, which bears "
            f"{of.watts:g} W.",
            "Limit the volume in the board's settings, or take stronger drivers.",
            Figure.of(each_w, of.watts, "W"),
        )
    if of.sensitivity_db is not None:
        power_w = each_w if of.watts is None else min(each_w, of.watts)
        try:
            level = sound.speaker_level(of.sensitivity_db, power_w, of.drivers)
        except ValueError:  # a power that no speaker is made for: one of the figures is wrong
            yield Unchecked(needs.SPEAKER, about)
            return
        yield from _reach(ground, prop, level)


def _reach(ground: Ground, prop: Prop, level: Band) -> Items:
    for number, behaviour in enumerate(prop.behaviours):
        if behaviour.level_dba is not None and behaviour.level_dba > level.high:
            yield Finding(
                Severity.SHOULD,
                "level-reach",
                ground.path("prop", prop.id, "behaviour", number, "level_dba"),
                About("prop", prop.id),
                f"{behaviour.id} of {prop.id} is written down as {behaviour.level_dba:g} dBA; its "
                f"speaker makes {level.at:.0f} dBA ({level.low:.0f} to {level.high:.0f}).",
                "Measure at 1 m, or take a more sensitive speaker: 3 dB are twice the watts.",
                Figure.of(behaviour.level_dba, level.high, "dBA"),
            )
