"""Time on the path: patience against rest, neighbours set off by one motion, and walking."""

from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity
from haunt.wire.showmodels import Link
from haunt.workshop.walking import delay_band_s

STARTLE = 4
STARTLE_M = 2.0
CHAIN = 2


def checks(ground: Ground) -> Items:
    yield from _patience(ground)
    yield from _chain(ground)
    for number, link in enumerate(ground.show.links):
        yield from _walk(ground, number, link)


def _patience(ground: Ground) -> Items:
    for prop in ground.prepared.props:
        patience_s = max((each.patience_ms for each in prop.behaviours), default=0) / 1000
        cooldown_s = prop.cooldown_ms / 1000
        if patience_s >= cooldown_s:
            yield Finding(
                Severity.NOTE,
                "patience",
                ground.path("prop", prop.id, "cooldown_s"),
                About("prop", prop.id),
                f"The patience of {prop.id}, {patience_s:g} s, outlasts its cooldown of "
                f"{cooldown_s:g} s, so one group may set it off twice.",
                "A longer cooldown_s, or a shorter patience_s.",
                Figure.of(cooldown_s, patience_s, "s", at_least=True),
            )


def _chain(ground: Ground) -> Items:
    """How many neighbours one motion can fire: floor(patience / gap) + 1."""
    show = ground.prepared
    patience_ms = max((b.patience_ms for p in show.props for b in p.behaviours), default=0)
    if show.gap_ms <= 0 or not any(prop.neighbours for prop in show.props):
        return
    chain = patience_ms // show.gap_ms + 1
    if chain >= CHAIN:
        yield Finding(
            Severity.NOTE,
            "chain",
            ("stagger", "gap_s"),
            About("show", show.id),
            f"With a gap of {show.gap_ms / 1000:g} s and patience up to {patience_ms / 1000:g} s "
            f"one motion can fire {chain} of the props that are neighbours.",
            "A gap longer than the patience, if one at a time is wanted.",
            Figure.of(show.gap_ms / 1000, patience_ms / 1000, "s", at_least=True),
        )


def _walk(ground: Ground, number: int, link: Link) -> Items:
    if link.delay_ms is not None or not link.distance_m:
        return
    band = delay_band_s(link.distance_m, ground.show.info.walking_speed_m_s)
    prop = next(each for each in ground.prepared.props if each.id == link.prop)
    patience_s = max(each.patience_ms for each in prop.behaviours) / 1000
    width_s = band.high - band.low
    strong = any(each.intensity >= STARTLE for each in prop.behaviours)
    too_far = strong and link.distance_m > STARTLE_M
    if width_s <= patience_s and not too_far:
        return
    yield Finding(
        Severity.SHOULD if strong else Severity.NOTE,
        "walk-band",
        ("link", number, "distance_m"),
        About("prop", link.prop),
        f"From {link.sensor} to {link.prop} people take {band.low:.1f} to {band.high:.1f} s in the "
        f"dark; {link.prop} has {patience_s:g} s of patience, so it starts before the slow or "
        "after the quick.",
        "Put the sensor at the prop, or give it more patience_s.",
        Figure.of(width_s, patience_s, "s"),
    )
