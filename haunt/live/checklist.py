"""A checklist before opening that fills itself: each line how it stands, why, and what mends it.

Pure: the view of the night, and what the journal and the sums say, come in as values.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final, NamedTuple

from haunt.core.calendar import DAY_MS, HOUR_MS
from haunt.core.people import ARMED
from haunt.live.alerts.kinds import Kind
from haunt.live.eyes import NO_EYES
from haunt.live.opening import Tonight
from haunt.live.views import BoardView, NightView, PackView, PropView, PropWord, SensorView
from haunt.live.why.words import TellTime

SURE, UNSURE = 0.9, 0.5
NAMED_MAX: Final = 4
CLOCK_MS: Final = 12 * HOUR_MS


class State(StrEnum):
    GOOD = "good"
    WAIT = "wait"  # cannot be told yet
    LOOK = "look"  # somebody should look at it
    MEND = "mend"  # nobody should open like that


class FindingCounts(NamedTuple):
    """Findings of the sums over the show file, by how pressing; `refused` where it has faults."""

    must: int = 0
    should: int = 0
    notes: int = 0
    refused: bool = False


class StopTried(NamedTuple):
    stopped_ms: int
    by: str
    released_ms: int


class Evidence(NamedTuple):
    """`seen` is when each sensor reported last since dusk (UTC ms)."""

    seen: Mapping[str, int]
    stop: StopTried | None
    findings: FindingCounts


class Line(NamedTuple):
    """One automatic line: how it stands and why, and where to go to mend it."""

    id: str
    state: State
    title: str
    why: str
    href: str
    mend: str


def lines(night: NightView, plan: Tonight, known: Evidence, clock: TellTime) -> list[Line]:
    return [
        _boards(night),
        _firmware(night),
        _clocks(night),
        _sensors(night, plan, known, clock),
        _packs(night, clock),
        _stop(night, known, clock),
        _hours(night, plan, clock),
        _props(night),
        _faults(night),
        _findings(known.findings),
    ]


def _boards(night: NightView) -> Line:
    gone = [_board_name(night, each) for each in night.boards.values() if not each.here]
    count = len(night.boards)
    if not night.link_up:
        return Line("boards", State.MEND, "Boards", "No broker: no board can be heard.", "/boards",
                    "Boards")  # fmt: skip
    if not count:
        return Line("boards", State.WAIT, "Boards", "The show has none yet.", "/boards", "Boards")
    if gone:
        why = f"{len(gone)} of {count} not here: {_named(gone)}. Check supply, then Wi-Fi."
        return Line("boards", State.MEND, "Boards", why, "/boards", "Boards")
    return Line(
        "boards",
        State.GOOD,
        "Boards",
        f"{_all(count)} {'is' if count == 1 else 'are'} here.",
        "/boards",
        "Boards",
    )


def _firmware(night: NightView) -> Line:
    told: dict[str, list[str]] = {}
    for board in night.boards.values():
        if board.fw:
            told.setdefault(board.fw, []).append(_board_name(night, board))
    if not told:
        return Line("firmware", State.WAIT, "Firmware", "No board has told its version yet.",
                    "/boards", "Boards")  # fmt: skip
    if len(told) > 1:
        most = max(told, key=lambda each: (len(told[each]), each))
        odd = [f"{name} has {fw}" for fw, names in told.items() if fw != most for name in names]
        why = f"Most have {most}, but {_named(odd)}."
        return Line("firmware", State.LOOK, "Firmware", why, "/boards", "Boards")
    [(version, names)] = told.items()
    why = f"{version} on {_all(len(names)).lower()} that told of it."
    return Line("firmware", State.GOOD, "Firmware", why, "/boards", "Boards")


def _clocks(night: NightView) -> Line:
    wrong = [each.text for each in night.alerts if each.kind in {Kind.CLOCK, Kind.BOARD_CLOCK}]
    if wrong:
        return Line("clocks", State.MEND, "Clocks", f"{_named(wrong)}.", "/", "Tonight")
    why = f"The controller's clock reads {night.time_zone}; no board's differs."
    return Line("clocks", State.GOOD, "Clocks", why, "/boards", "Boards")


def _sensors(night: NightView, plan: Tonight, known: Evidence, clock: TellTime) -> Line:
    watched = [each for each in night.sensors.values() if each.kind not in NO_EYES]
    muted = [_sensor_name(each) for each in watched if each.muted]
    unseen = [_sensor_name(each) for each in watched if not _was_seen(each, plan, known)]
    dusk = f"{clock(plan.dusk_ms)} ({plan.dusk})"
    if not watched:
        return Line(
            "sensors", State.WAIT, "Sensors", "The show has none yet.", "/walk", "Walk test"
        )
    if night.at_ms < plan.dusk_ms:
        why = f"Walk past them after {dusk}: what a sensor sees changes as it cools."
        return Line("sensors", State.WAIT, "Sensors", why, "/walk", "Walk test")
    parts = [f"Not seen since {dusk}: {_named(unseen)}."] if unseen else []
    parts += [f"Muted: {_named(muted)}."] if muted else []
    if parts:
        return Line("sensors", State.LOOK, "Sensors", " ".join(parts), "/walk", "Walk test")
    why = f"{_all(len(watched))} saw somebody since {dusk}."
    return Line("sensors", State.GOOD, "Sensors", why, "/walk", "Walk test")


def _was_seen(sensor: SensorView, plan: Tonight, known: Evidence) -> bool:
    last = max(sensor.last_ms or 0, known.seen.get(sensor.id, 0))
    return last >= plan.dusk_ms


def _packs(night: NightView, clock: TellTime) -> Line:
    packs = [each for each in night.boards.values() if each.charge_percent is not None or each.pack]
    if not packs:
        return Line("packs", State.WAIT, "Packs", "No pack tells its charge by its voltage.",
                    "/findings", "Findings")  # fmt: skip
    told = [_pack(night, each, clock) for each in packs]
    order = [State.MEND, State.LOOK, State.WAIT, State.GOOD]
    worst = min((state for state, _why in told), key=order.index)
    shown = sorted(told, key=lambda each: order.index(each[0]))
    return Line(
        "packs", worst, "Packs", " ".join(why for _state, why in shown), "/boards", "Boards"
    )


def _pack(night: NightView, board: BoardView, clock: TellTime) -> tuple[State, str]:
    name, pack = _board_name(night, board), board.pack
    if pack is None:
        return State.WAIT, f"{name}: {board.charge_percent} %, how long is not known yet."
    charge = f"{pack.charge.at:.0f} % ({pack.charge.low:.0f} to {pack.charge.high:.0f})"
    level = f"level {pack.floor_percent} %"
    if pack.charge.at < pack.floor_percent:
        return State.MEND, f"{name}: {charge} is under its {level}: change the pack."
    lasts = _lasts(pack, night.at_ms, clock)
    if pack.until_ms is None:
        return State.GOOD, f"{name}: {charge}, {level}, {lasts}."
    chance = f"P {pack.sure:.2f} to last till close"
    state = State.GOOD if pack.sure >= SURE else State.LOOK if pack.sure >= UNSURE else State.MEND
    return state, f"{name}: {charge}, {level}, {lasts}, {chance}."


def _lasts(pack: PackView, now_ms: int, clock: TellTime) -> str:
    """Clock times for tonight, hours for what lies further off."""
    ends, low, high = pack.ends_ms, pack.ends_low_ms, pack.ends_high_ms
    if ends is None or low is None:
        return "lasts for days"
    if ends - now_ms <= CLOCK_MS:
        late = "or later" if high is None or high - now_ms > DAY_MS else f"to {clock(high)}"
        return f"lasts to about {clock(ends)} ({clock(low)} {late})"
    late = "or more" if high is None else f"to {_hours_off(high, now_ms)}"
    return f"lasts about {_hours_off(ends, now_ms)} h ({_hours_off(low, now_ms)} {late} h)"


def _hours_off(at_ms: int, now_ms: int) -> int:
    return round((at_ms - now_ms) / HOUR_MS)


def _stop(night: NightView, known: Evidence, clock: TellTime) -> Line:
    if night.stopped:
        return Line("stop", State.LOOK, "Stop", "The show is stopped: release it when the path is "
                    "clear.", "/release", "Release")  # fmt: skip
    if night.stop_unheard:
        return Line("stop", State.MEND, "Stop", "Boards did not confirm it.", "/boards", "Boards")
    if known.stop is None:
        why = "Not tried today. Press Stop show, look that every prop is still, and release it."
        return Line("stop", State.LOOK, "Stop", why, "/release", "How to release")
    stop = known.stop
    why = f"Tried at {clock(stop.stopped_ms)} by {stop.by}, released at {clock(stop.released_ms)}."
    return Line("stop", State.GOOD, "Stop", why, "/release", "How to release")


BY_HAND: Final = {
    "closed": "Shut by hand, so nothing will fire, whatever the hours: on Doors press Open now, or "
    "By the hours.",
    "paused": "Paused by hand, so nothing fires until somebody presses Open now, or By the "
    "hours, on Doors.",
    "open": "Opened by hand: props fire, whatever the hours, until somebody shuts them on Doors.",
}


NO_NIGHT: Final = "Closed: no night of the show file lies ahead, so nothing will fire."


def _hours(night: NightView, plan: Tonight, clock: TellTime) -> Line:
    if night.doors in BY_HAND:
        return Line("hours", State.LOOK, "Hours", BY_HAND[night.doors], "/doors", "Doors")
    if plan.opens_ms is None or plan.closes_ms is None:
        if not night.open:
            why = f"Closed until the night of {plan.later}." if plan.later else NO_NIGHT
            return Line("hours", State.LOOK, "Hours", why, "/doors", "Doors")
        parts = ["Open: the show file names no night ahead"]
    else:
        parts = [f"Open {clock(plan.opens_ms)} to {clock(plan.closes_ms)}"]
    for name, spans in (("Phases", plan.phases), ("Quiet", plan.quiet)):
        told = [f"{each.what} {clock(each.from_ms)} to {clock(each.until_ms)}" for each in spans]
        parts.append(f"{name}: {', '.join(told)}" if told else f"{name}: none")
    return Line("hours", State.GOOD, "Hours", f"{'. '.join(parts)}.", "/findings", "Findings")


def _props(night: NightView) -> Line:
    out = [
        f"{each.name} ({_why_not(each)})"
        for each in night.props.values()
        if each.word in {PropWord.HELD, PropWord.LOCKED_OUT, PropWord.OUT_OF_SERVICE}
    ]
    if night.walk_test:
        return Line("props", State.LOOK, "Props", "The walk test runs: nothing fires.", "/walk",
                    "Walk test")  # fmt: skip
    if out:
        return Line("props", State.LOOK, "Props", f"Not ready: {_named(out)}.", "/", "Tonight")
    why = "None is held, locked out or out of service."
    return Line("props", State.GOOD, "Props", why, "/", "Tonight")


def _why_not(prop: PropView) -> str:
    if prop.word is PropWord.LOCKED_OUT:
        return f"{prop.locked_by} works on it"
    if prop.word is PropWord.OUT_OF_SERVICE:
        return "out of service"
    return "waits to be armed" if prop.held_by == ARMED else "on hold"


def _faults(night: NightView) -> Line:
    if night.broken:
        why = "The rules broke: restart the controller."
        return Line("faults", State.MEND, "Faults", why, "/", "Tonight")
    now = [each.text for each in night.alerts if each.severity == "now" and each.over_ms is None]
    soon = [each.text for each in night.alerts if each.severity != "now" and each.over_ms is None]
    if now:
        return Line("faults", State.MEND, "Faults", f"{_named(now)}.", "/", "Tonight")
    if soon:
        return Line("faults", State.LOOK, "Faults", f"{_named(soon)}.", "/", "Tonight")
    return Line("faults", State.GOOD, "Faults", "None is open.", "/", "Tonight")


def _findings(tally: FindingCounts) -> Line:
    if tally.refused:
        why = "The show file cannot be read by this version."
        return Line("findings", State.MEND, "Sums", why, "/findings", "Findings")
    counts = f"{tally.must} must be mended, {tally.should} should be, {tally.notes} to know"
    state = State.MEND if tally.must else State.LOOK if tally.should else State.GOOD
    return Line("findings", state, "Sums", f"{counts}.", "/findings", "Findings")


def _board_name(night: NightView, board: BoardView) -> str:
    props = [night.props[each].name for each in board.props if each in night.props]
    return f"{board.id} ({', '.join(props)})" if props else board.id


def _sensor_name(sensor: SensorView) -> str:
    return sensor.id if sensor.name == sensor.id else f"{sensor.id}, {sensor.name}"


def _all(count: int) -> str:
    return "1 of 1" if count == 1 else f"All {count}"


def _named(names: list[str]) -> str:
    more = len(names) - NAMED_MAX
    return "; ".join([*names[:NAMED_MAX], *([f"{more} more"] if more > 0 else [])])
