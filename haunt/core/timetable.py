"""Firing by the clock: when each row is due next, and whether people allow it."""

from collections.abc import Iterator
from datetime import date, timedelta

from haunt.core.calendar import DAY_MS, MINUTE_MS
from haunt.core.clockwork import TimeOfDay, Timetable
from haunt.core.decisions import Source
from haunt.core.dice import draw
from haunt.core.night import Night, Prop

LATE_MAX_MS = 3000
DAYS_AHEAD = 200
"""Nowhere does the sun stay away, or stay, for longer than half a year."""


def plan(night: Night) -> None:
    """Set the next instant (wall) of every row; after a start, a change of show, a clock step."""
    night.timetable_due = {
        row.row: due
        for row in night.timetable.values()
        if (due := _next(night, row, night.wall_ms)) is not None
    }


def next_due_ms(night: Night) -> int | None:
    """Return the steady-clock instant of the earliest row."""
    if not night.timetable_due:
        return None
    return min(night.timetable_due.values()) - night.offset_ms


def fire_due(night: Night) -> None:
    wall = night.wall_ms
    for number, due in sorted(night.timetable_due.items()):
        if due > wall:
            continue
        row = night.timetable[number]
        later = _next(night, row, max(due if row.at is None else due + 1, wall))
        if later is None:
            del night.timetable_due[number]
        else:
            night.timetable_due[number] = later
        prop = night.props[row.prop]
        if wall - due <= LATE_MAX_MS and _people_allow(night, row, prop):
            cue, now = f"t-{row.row}-{due // MINUTE_MS}", night.now_ms
            night.agenda.append(
                night.new_item(
                    prop, Source.TIMETABLE, cue, now, happened_ms=now, behaviour=row.behaviour
                )
            )


def _people_allow(night: Night, row: Timetable, prop: Prop) -> bool:
    seen = max((s.last_seen_ms for s in prop.feeders if s.last_seen_ms is not None), default=None)
    since = None if seen is None else night.now_ms - seen
    if row.only_after_motion_ms is not None and (since is None or since > row.only_after_motion_ms):
        return False
    return not (
        row.only_after_quiet_ms is not None
        and since is not None
        and since < row.only_after_quiet_ms
    )


def _next(night: Night, row: Timetable, wall_ms: int) -> int | None:
    if row.at is not None:
        return _next_reading(night, row.at, wall_ms)
    spread = row.every_max_ms - row.every_min_ms + 1
    step = row.every_min_ms + draw(night.show.seed, f"t-{row.row}-{wall_ms}", max(1, spread))
    due = wall_ms + max(1, step)
    return _within(night, row, due)


def _next_reading(night: Night, at: TimeOfDay, wall_ms: int) -> int | None:
    for day in _days_around(night, wall_ms):
        due = night.calendar.first_instant(day, at)
        if due is not None and due >= wall_ms:
            return due
    return None


def _within(night: Night, row: Timetable, due: int) -> int | None:
    """Push an instant that falls outside the row's hours to the next beginning of them."""
    if row.start is None or row.end is None:
        return due
    for day in _days_around(night, due):
        begins = night.calendar.first_instant(day, row.start)
        ends = night.calendar.first_instant(day, row.end)
        if begins is None or ends is None:
            continue
        if ends <= begins:
            ends += DAY_MS
        if due < begins:
            return begins
        if due < ends:
            return due
    return None


def _days_around(night: Night, wall_ms: int) -> Iterator[date]:
    """Yield yesterday, whose hours may reach past midnight, and the days that come.

    Hardly ever more than three are asked for: on those beyond there was no sunset before.
    """
    today = night.calendar.local_date(wall_ms)
    yield from (today + timedelta(days=ahead) for ahead in range(-1, DAYS_AHEAD))
