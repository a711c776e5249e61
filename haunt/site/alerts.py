"""Alerts as pages and programs see them: what is open, how pressing, what is said already."""

from collections.abc import Callable
from dataclasses import replace

from haunt.live.alerts.kinds import Kind
from haunt.live.views import AlertView, BoardView, Counters, NightView, PropView
from haunt.live.why.words import TellTime
from haunt.site.ports import Item
from haunt.site.view_models import Act, AlertLine, Alerts
from haunt.store.instants import rfc3339, rfc3339_or_none

SHOWN_MAX = 8
"""What a phone shows at once; the rest is one tap away."""
WHOLE_BOARD = frozenset({Kind.LOST, Kind.BOOT_LOOP, Kind.TWO_BOARDS})
PACK = frozenset({Kind.PACK_LOW, Kind.PACK_ODD, Kind.PACK_SHORT})

NOISY = frozenset({Kind.STUCK, Kind.CHATTER})
MUTE_S = 600


def alerts_of(night: NightView, clock: TellTime, retold: Callable[[str], str] = str) -> Alerts:
    """Return the lines, what nobody has seen first; the stop bar itself names who is deaf to it.

    `retold` gives an alert's words, which are the same for everybody, the clock of this page.
    """
    lines = [
        _line(night, replace(each, text=retold(each.text), todo=retold(each.todo)), clock)
        for each in night.alerts
        if each.id and not (each.kind == Kind.DEAF and each.subject in night.stop_unheard)
    ]
    unseen = [each for each in lines if not each.seen]
    return Alerts(
        first=tuple(unseen[:SHOWN_MAX]),
        more=tuple(unseen[SHOWN_MAX:]),
        seen=tuple(each for each in lines if each.seen),
        left_out=night.alerts_left_out,
    )


def _line(night: NightView, alert: AlertView, clock: TellTime) -> AlertLine:
    level = alert.severity if alert.over_ms is None else "over"
    facts = (
        f"came {clock(alert.since_ms)}" if alert.over_ms is not None else "",
        f"{alert.count} times" if alert.count > 1 else "",
        f"board {alert.subject}" if alert.subject in night.boards else "",
        f"seen by {alert.seen_by}" if alert.seen_by else "",
    )
    return AlertLine(
        id=alert.id,
        level=level,
        shape={"now": "cross", "soon": "warn", "over": "hollow"}[level],
        word={"now": "Now", "soon": "Soon", "over": "Over"}[level],
        what=alert.text,
        todo=alert.todo,
        since=clock(alert.since_ms if alert.over_ms is None else alert.over_ms),
        facts=", ".join(each for each in facts if each),
        seen=bool(alert.seen_by),
        href=_href(night, alert),
        act=_act(night, alert),
    )


def _act(night: NightView, alert: AlertView) -> Act | None:
    """What mends it at once, beside having seen it."""
    sensor = night.sensors.get(alert.subject)
    if alert.kind not in NOISY or sensor is None or sensor.muted or alert.over_ms is not None:
        return None
    return Act(f"/sensors/{alert.subject}/mute", f"Mute {MUTE_S // 60} min", MUTE_S)


def _href(night: NightView, alert: AlertView) -> str:
    subject = alert.subject
    if subject in night.props:
        return f"/props/{subject}"
    if subject in night.sensors:
        return f"/walk#eye-{subject}"
    board = night.boards.get(subject)
    if board is None:
        return ""
    return f"/props/{board.props[0]}" if board.props else "/boards"


def untold(night: NightView) -> NightView:
    """Return the night without what its alerts say already, so that nothing is said twice."""
    told: dict[str, set[str]] = {}
    for alert in night.alerts:
        told.setdefault(alert.kind, set()).add(alert.subject)
    return replace(
        night,
        alerts=tuple(each for each in night.alerts if not each.id),
        link_up=night.link_up or Kind.LINK in told,
        boards=_boards(night, told),
        props=_props(night, told),
        counters=_counters(night.counters, told),
    )


def _counters(counters: Counters, told: dict[str, set[str]]) -> Counters:
    is_gap = Kind.JOURNAL in told
    return replace(
        counters,
        journal_failing="" if is_gap else counters.journal_failing,
        not_journalled=0 if is_gap else counters.not_journalled,
        malformed=0 if Kind.NONSENSE in told else counters.malformed,
        unknown_ids=0 if Kind.STRANGER in told else counters.unknown_ids,
    )


def _boards(night: NightView, told: dict[str, set[str]]) -> dict[str, BoardView]:
    if Kind.LINK in told or Kind.LOST_TOGETHER in told:
        return {}
    gone = set().union(*(told.get(kind, set()) for kind in WHOLE_BOARD))
    return {name: board for name, board in night.boards.items() if name not in gone}


def _props(night: NightView, told: dict[str, set[str]]) -> dict[str, PropView]:
    silent = told.get(Kind.UNCONFIRMED, set())
    packs = set().union(*(told.get(kind, set()) for kind in PACK))
    if not silent and not packs:
        return {**night.props}
    return {
        name: replace(
            prop,
            unconfirmed=prop.unconfirmed and name not in silent,
            charge_percent=None if prop.board in packs else prop.charge_percent,
        )
        for name, prop in night.props.items()
    }


# --- programs


def alert_json(alert: AlertView) -> Item:
    """An open alert in the shape of the list."""
    return {
        "id": alert.id,
        "at": rfc3339(alert.since_ms),
        "key": alert.key,
        "kind": alert.kind,
        "subject": alert.subject,
        "severity": alert.severity,
        "state": "seen" if alert.seen_by else "raised",
        "text": alert.text,
        "todo": alert.todo,
        "count": alert.count,
        "last": rfc3339(alert.last_ms),
        "acknowledged_by": alert.seen_by or None,
        "acknowledged_at": rfc3339_or_none(alert.seen_ms),
        "closed_at": None,
    }
