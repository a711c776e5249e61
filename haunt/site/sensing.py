"""What pages say of sensors, of the walk test, and of who works on a prop."""

from haunt.live.eyes import CHATTERS_A_MINUTE, NO_EYES
from haunt.live.views import PropView, SensorView
from haunt.site.presenter import Presenter
from haunt.site.view_models import Eye, Hands, Sensors, Walk

KINDS = {"pir": "PIR", "beam": "beam", "mat": "mat", "radar": "radar", "button": "button"}


def walk_of(show: Presenter) -> Walk:
    """Name what has not been seen and what never stops first: that is what one walks for."""
    night = show.night
    eyes = {each.id: eye_of(show, each) for each in night.sensors.values()}
    watched = [each for each in night.sensors.values() if each.kind not in NO_EYES]
    hit = night.last_hit
    return Walk(
        is_on=night.walk_test,
        since=show.clock(night.walk_since_ms) if night.walk_since_ms is not None else "",
        by=night.walk_by,
        hit=eyes.get(hit.sensor) if hit is not None else None,
        number=hit.number if hit is not None else 0,
        unseen=tuple(eyes[e.id] for e in watched if not e.hits and not e.muted),
        chatters=tuple(eyes[e.id] for e in watched if e.a_minute >= CHATTERS_A_MINUTE),
        muted=tuple(eyes[each.id] for each in watched if each.muted),
        eyes=tuple(eyes.values()),
    )


def sensors_of(show: Presenter, prop: PropView) -> Sensors:
    linked = [each for each in show.night.sensors.values() if prop.id in each.props]
    return Sensors(prop.id, tuple(eye_of(show, each) for each in linked))


def hands_of(prop: PropView) -> Hands:
    return Hands(prop.id, prop.name, prop.locked_by, prop.out_of_service)


def eye_of(show: Presenter, sensor: SensorView) -> Eye:
    kind, shape, word, detail = _standing(sensor)
    return Eye(
        id=sensor.id,
        name=_named(sensor),
        kind=kind,
        shape=shape,
        word=word,
        detail=detail,
        hits=sensor.hits,
        seen=show.clock(sensor.last_ms) if sensor.last_ms is not None else "",
        is_muted=sensor.muted,
        until_ms=sensor.muted_until_ms,
        left=show.left(sensor.muted_until_ms),
    )


def _named(sensor: SensorView) -> str:
    place = sensor.name if sensor.name != sensor.id else ""
    return f"{KINDS.get(sensor.kind, sensor.kind)}{f', {place}' if place else ''}"


def _standing(sensor: SensorView) -> tuple[str, str, str, str]:
    """Kind of a style sheet, shape, word and what more there is to say; most pressing first."""
    if not sensor.here:
        return "lost", "cross", "Lost", f"board {sensor.board} is not here"
    if sensor.muted:
        return "held", "pause", "Muted", f"by {sensor.muted_by}" if sensor.muted_by else ""
    if sensor.kind not in NO_EYES and sensor.a_minute >= CHATTERS_A_MINUTE:
        return "out-of-service", "warn", "Chatters", f"{sensor.a_minute} motions in a minute"
    if sensor.hits:
        return "ready", "disc", "Seen", f"{sensor.hits} motion{'s' * (sensor.hits != 1)}"
    return "closed", "hollow", "Not seen", "yet"
