"""What moves or startles: motors' duty, cut-offs, stop states, and where people jump back to."""

from haunt.study.findings import needs
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.study.places import apart_m
from haunt.wire.showmodels import Board, Prop
from haunt.workshop.cautions import Topic
from haunt.workshop.duty import cyclic_share, least_rest_s
from haunt.workshop.pins import Role, role_of

STARTLE = 4
HAZARD_M = 3.0


def checks(ground: Ground) -> Items:
    for prop in ground.show.props:
        yield from _by_hand(ground, prop)
        yield from _duty(ground, prop)
        yield from _hazards(ground, prop)
    for board in ground.show.boards:
        yield from _stop_states(ground, board)


def _by_hand(ground: Ground, prop: Prop) -> Items:
    about = About("prop", prop.id)
    if prop.arm_by_hand and prop.cut_off is None:
        yield Finding(
            Severity.MUST,
            "cut-off",
            ground.path("prop", prop.id, "arm_by_hand"),
            about,
            f"{prop.id} is released by hand because it could hurt someone, and nobody wrote down "
            "where its own switch or valve is.",
            "Fit one within a helper's reach and write it down as cut_off.",
            caution=Topic.MOTION,
        )
    if prop.arm_by_hand:
        return
    for number, behaviour in enumerate(prop.behaviours):
        if behaviour.motor_on_ms and behaviour.intensity >= STARTLE:
            yield Finding(
                Severity.SHOULD,
                "arm-by-hand",
                ground.path("prop", prop.id, "behaviour", number, "intensity"),
                about,
                f"{behaviour.id} of {prop.id} moves and startles, and runs again by itself after a "
                "restart or a stop.",
                "arm_by_hand = true and a cut_off, if it reaches past the prop.",
                caution=Topic.MOTION,
            )


def _duty(ground: Ground, prop: Prop) -> Items:
    moving = [each for each in prop.behaviours if each.motor_on_ms]
    if not moving:
        return
    if prop.duty is None:
        yield Unchecked(needs.DUTY, About("prop", prop.id))
        return
    worst = max(moving, key=lambda each: each.motor_on_ms / (each.duration_ms + prop.cooldown_ms))
    on_s = worst.motor_on_ms / 1000
    rest_s = (worst.duration_ms - worst.motor_on_ms + prop.cooldown_ms) / 1000
    share = cyclic_share(on_s, rest_s)
    if share <= prop.duty:
        return
    if prop.duty > 0:
        needed_s = least_rest_s(on_s, prop.duty) - (worst.duration_ms - worst.motor_on_ms) / 1000
        mend = f"cooldown_s = {needed_s:.0f}, so that it rests by itself."
    else:
        mend = "duty = 0 lets the motor never run: read its plate again."
    yield Finding(
        Severity.SHOULD,
        "duty",
        ground.path("prop", prop.id, "duty"),
        About("prop", prop.id),
        f"In a steady stream of people the motor of {prop.id} would run {100 * share:.0f} % of "
        f"the time; its plate allows {100 * prop.duty:.0f} %, so the show will hold it back.",
        mend,
        Figure.of(100 * share, 100 * prop.duty, "%"),
        Topic.MOTION,
    )


def _hazards(ground: Ground, prop: Prop) -> Items:
    """Startled people jump back a metre or two."""
    spot = ground.spot(prop)
    if prop.scare_spot is not None:
        spot = prop.scare_spot.x_m, prop.scare_spot.y_m
    strong = [n for n, each in enumerate(prop.behaviours) if each.intensity >= STARTLE]
    if spot is None or not strong:
        return
    for hazard in ground.show.hazards:
        away_m = apart_m(spot, (hazard.x_m, hazard.y_m))
        if away_m <= HAZARD_M:
            yield Finding(
                Severity.SHOULD,
                "startle-hazard",
                ground.path("prop", prop.id, "behaviour", strong[0], "intensity"),
                About("prop", prop.id),
                f"{prop.id} startles people {away_m:.1f} m from a {hazard.kind}; they jump back a "
                "metre or two.",
                f"Move the scare, fence and light the {hazard.kind}, or keep it at intensity 3.",
                Figure.of(away_m, HAZARD_M, "m", at_least=True),
                Topic.MOTION,
            )


def _stop_states(ground: Ground, board: Board) -> Items:
    """Only where the file names motors or valves; else the board's own config has them."""
    moving = [
        name
        for name in board.pins
        if role_of(name) is Role.MOTION
        and name not in (*board.inputs, *board.analog)
        and not any(each.id == name for each in ground.show.sensors)
    ]
    if not moving:
        return
    if not board.stop_states:
        yield Unchecked(needs.STOP_STATES, About("board", board.id))
        return
    for name in moving:
        if name not in board.stop_states:
            yield Finding(
                Severity.MUST,
                "stop-state",
                ground.path("board", board.id, "pins", name),
                About("board", board.id),
                f"Nobody says what {name} of {board.id} does when the show is stopped.",
                f'stop_states = {{ {name} = "off" }}, or hold or home, here and on the board.',
                caution=Topic.MOTION,
            )
