"""Facts of the sensors' rules, and of what people, boards and the network do."""

from haunt.core.moment import doors_open
from haunt.live.why.facts import NOTHING, Because, Case


def unknown(case: Case) -> Because:
    motion = case.decision.motion
    return Because(number=len(case.night.sensors), cause=motion.board if motion else "")


def muted(case: Case) -> Because:
    found = case.hand("mute", case.decision.sensor or "")
    until = case.later(case.sensor.muted_until_ms) if case.sensor is not None else None
    limit = None if until is None or found.since_ms is None else until - found.since_ms
    return found._replace(until_ms=until, limit=limit)


def warming_up(case: Case) -> Because:
    sensor = case.sensor
    if sensor is None:
        return NOTHING
    return Because(
        limit=sensor.spec.warm_up_ms,
        since_ms=case.wall(sensor.board.booted_ms),
        cause=sensor.board.spec.id,
    )


def block_time(case: Case) -> Because:
    sensor = case.sensor
    if sensor is None:
        return NOTHING
    return Because(limit=sensor.spec.block_ms, since_ms=case.wall(sensor.last_accepted_ms))


def lingering(case: Case) -> Because:
    sensor = case.sensor
    if sensor is None:
        return NOTHING
    spec = sensor.spec
    return Because(spec.lull_max_ms, spec.lull_ms, case.wall(sensor.last_accepted_ms))


def wrong_way(case: Case) -> Because:
    sensor, at_ms = case.sensor, case.decision.at_ms
    for way in sensor.links if sensor is not None else ():
        after = way.after
        if way.prop is case.prop and after is not None:
            seen = [each for each in after.recent_ms if each <= at_ms]
            ago, last = at_ms - max(seen) if seen else None, case.wall(max(seen, default=None))
            return Because(ago, way.within_ms, last, None, after.spec.id)
    return NOTHING


def self_trigger(case: Case) -> Because:
    sensor = case.sensor
    if sensor is None or not sensor.sees:
        return NOTHING
    last = max(sensor.sees, key=lambda each: each.last_start_ms or 0)
    return Because(
        limit=sensor.spec.settle_ms, since_ms=case.wall(last.last_start_ms), cause=last.spec.id
    )


def no_prop(case: Case) -> Because:
    also = "taken-out" if case.decision.prop is not None and case.prop is None else ""
    links = len(case.sensor.links) if case.sensor is not None else 0
    return Because(number=links, cause=case.decision.prop or "", also=also)


def left(case: Case) -> Because:
    sensor, prop = case.sensor, case.prop
    if sensor is None or sensor.last_seen_ms is None:
        return NOTHING
    delay = next((way.delay_ms for way in sensor.links if way.prop is prop), 0)
    return Because(
        case.decision.at_ms - sensor.last_seen_ms,
        delay + sensor.spec.fresh_ms,
        case.wall(sensor.last_seen_ms),
    )


# --- what people, boards and the network do


def stopped(case: Case) -> Because:
    night = case.night
    if night.stopped:
        return case.hand("stop")
    return Because(since_ms=case.wall(night.released_ms), also="released")


def closed(case: Case) -> Because:
    night = case.night
    if night.doors != "timetable":
        return case.hand("doors", night.doors, also=night.doors)
    known = night.calendar.night_of(night.wall_ms)
    if doors_open(night):
        shortest = (
            min((b.duration_ms for b in case.prop.spec.behaviours), default=0)
            if (case.prop is not None)
            else 0
        )
        return Because(shortest, until_ms=known[2] if known else None, also="ends-after")
    opens = known[1] if known is not None and known[1] > night.wall_ms else None
    return Because(until_ms=opens)


def held(case: Case) -> Because:
    prop = case.prop
    if prop is None:
        return NOTHING
    deed = case.hands.of("hold", prop.spec.id) or case.hands.of("hold")
    since = deed.wall_ms if deed is not None and deed.by == prop.held_by else None
    until = case.later(prop.held_until_ms)
    limit = until - since if until is not None and since is not None else None
    return Because(limit=limit, since_ms=since, until_ms=until, cause=prop.held_by)


def locked_out(case: Case) -> Because:
    prop = case.prop
    if prop is None:
        return NOTHING
    return case.hand("lock out", prop.spec.id)._replace(cause=prop.locked_by)


def out_of_service(case: Case) -> Because:
    return case.hand("out of service", case.decision.prop or "")


def offline(case: Case) -> Because:
    if case.prop is None:
        return NOTHING
    board = case.prop.board
    return Because(since_ms=case.wall(board.gone_ms), cause=board.spec.id)


def no_link(case: Case) -> Because:
    return Because(since_ms=case.hands.link_lost_wall_ms)


def restart(case: Case) -> Because:
    return Because(since_ms=case.hands.started_wall_ms)
