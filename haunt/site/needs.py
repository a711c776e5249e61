"""What waits for a person, most pressing first: what, where, and what to do about it."""

from collections.abc import Iterator

from haunt.core.people import ARMED
from haunt.live.views import NightView, PropView, PropWord
from haunt.live.why.words import TellTime
from haunt.site.view_models import Act, Need

LOW_PERCENT = 20
WEAK_DBM = -75


def needs_of(night: NightView, clock: TellTime) -> Iterator[Need]:
    yield from _controller(night)
    yield from _walk_test(night, clock)
    yield from _lost(night, clock)
    yield from _other_alerts(night, clock)
    soon = [need for prop in night.props.values() for need in _prop(prop)]
    yield from sorted(soon, key=lambda need: need.level == "person")
    yield from _counted(night)


def _controller(night: NightView) -> Iterator[Need]:
    if night.broken:
        yield _now(f"The rules broke: {night.broken}", "Restart haunt; the show stays stopped.")
    if not night.link_up:
        yield _now("No broker: nothing can fire", "Check the broker and the network.")
    if night.counters.journal_failing:
        yield _now(
            "The journal cannot be written: the show goes on, the log has a gap",
            f"Check the disk: {night.counters.journal_failing}.",
        )


def _walk_test(night: NightView, clock: TellTime) -> Iterator[Need]:
    if night.walk_test:
        since = f" since {clock(night.walk_since_ms)}" if night.walk_since_ms is not None else ""
        by = f" by {night.walk_by}" if night.walk_by else ""
        what = f"Walk test{since}{by}: nothing fires"
        act = Act("/walk/end", "End test")
        todo = "Visitors see nothing until it ends."
        yield Need("person", "hollow", what, todo, "/walk", act, first=True)


def _lost(night: NightView, clock: TellTime) -> Iterator[Need]:
    """Name a board once, with all that it carries."""
    for board in night.boards.values():
        if board.here:
            continue
        props = [night.props[each] for each in board.props if each in night.props]
        names = "; ".join(f"{p.name}, {p.place}" if p.place else p.name for p in props)
        heard, todo = "not heard yet", f"Is board {board.id} powered, its file on it?"
        if board.last_heard_ms:
            heard = f"lost {clock(board.last_heard_ms)}"
            todo = f"Check the supply of board {board.id}."
        yield Need(
            "now",
            "cross",
            f"{names or 'Sensors only'}: {heard}",
            todo,
            f"/props/{props[0].id}" if props and board.last_heard_ms else f"/boards/{board.id}",
        )


def _other_alerts(night: NightView, clock: TellTime) -> Iterator[Need]:
    """Leave out what is said better elsewhere on the page."""
    for alert in night.alerts:
        if not alert.key.startswith(("lost ", "unconfirmed ")):
            yield Need("soon", "warn", alert.text, f"Since {clock(alert.since_ms)}.")


def _prop(prop: PropView) -> Iterator[Need]:
    href = f"/props/{prop.id}"
    by = f" by {prop.held_by}" if prop.held_by else ""
    if prop.word is PropWord.LOCKED_OUT:
        todo = "Only they, or an owner, end it."
        yield Need(
            "person", "lock", f"{prop.name} is locked out{by}", todo, f"{href}#hands-{prop.id}"
        )
    if prop.word is PropWord.OUT_OF_SERVICE:
        yield Need("soon", "bar", f"{prop.name} is out of service", "Mend it, or charge it.", href)
    if prop.word is PropWord.HELD:
        act = Act(f"{href}/release", "Release")
        if prop.arm_by_hand and prop.held_by == ARMED:
            what, todo = f"{prop.name} waits to be armed", "Arm it where you can see it."
            act = Act(f"{href}/release", "Arm")
        else:
            what, todo = f"{prop.name} is on hold{by}", "Release when clear."
        yield Need("person", "pause", what, todo, href, act)
    if prop.unconfirmed:
        todo = f"Look at it; board {prop.board} may hang."
        yield Need("soon", "warn", f"{prop.name} did not answer its last cue", todo, href)
    if prop.charge_percent is not None and prop.charge_percent < LOW_PERCENT:
        what = f"{prop.name}: pack at {prop.charge_percent} %"
        yield Need("soon", "warn", what, "Have a charged one ready.", href)


def _counted(night: NightView) -> Iterator[Need]:
    counters = night.counters
    kinds = ", ".join(f"{count} {what}" for what, count in counters.malformed_by_kind)
    lines = (
        (counters.not_journalled, "motions not journalled", "Check the disk."),
        (
            counters.malformed,
            f"messages made no sense ({kinds})" if kinds else "messages made no sense",
            f"Last: {counters.last_malformed}.",
        ),
        (counters.unknown_ids, "messages of unknown boards", "Check the ids in their files."),
        (counters.queue_dropped, "messages dropped", "Too many came: look for a stuck sensor."),
        (
            counters.alerts_dropped if counters.alerts_fault else 0,
            "alerts did not get out to the webhook",
            f"{counters.alerts_fault}. The pages show them all the same.",
        ),
        (counters.odd_reports, "odd reports by boards", "Ignored; look for a board with old ids."),
    )
    for count, what, todo in lines:
        if count:
            yield Need("soon", "warn", f"{count} {what}", todo)


def _now(what: str, todo: str) -> Need:
    return Need("now", "cross", what, todo)
