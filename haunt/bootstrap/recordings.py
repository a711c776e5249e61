"""Reads recorded nights out of a journal, to be run again under the settings of now."""

from datetime import date, timedelta

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.reporting import ends_ms, span_of
from haunt.live.prepare import prepare
from haunt.store.engines import Engine
from haunt.store.nightevents import events_of, memory_before
from haunt.store.nightrows import dates_of, show_at
from haunt.store.reader import Reader
from haunt.study.measures import draws_of
from haunt.study.rerun import record
from haunt.study.sweep import Night, Sunsets, night_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NIGHTS_MAX = 10


def show_of(engine: Engine) -> ShowFile | str:
    """Return the show as it is now, or say that there is none."""
    kept = Reader(engine).show()
    if kept is None:
        return "there is no show yet"
    return read_show(kept[1], "show").show


def last_nights(engine: Engine, file: ShowFile, nights: int) -> list[Night] | str:
    """Return the last recorded nights, oldest first, or say that there are none."""
    days = dates_of(engine, file.info.time_zone)[: min(nights, NIGHTS_MAX)]
    if not days:
        return "no night has been recorded yet: nothing to run again"
    return [a_night(engine, file, day) for day in reversed(days)]


def a_night(engine: Engine, file: ShowFile, day: str) -> Night:
    """Make a night to be run again under the settings of now."""
    night = date.fromisoformat(day)
    text = show_at(engine, ends_ms(night))
    assert text is not None, "a date with motions has a show"
    span = span_of(read_show(text, "show").show, night)
    now = prepare(file, seed_of(engine)).show
    after, memory = memory_before(engine, span)
    happened = events_of(engine, after, span, lambda _version: now)
    sunsets = sunsets_near(file, night)
    return night_of(record(happened, memory), now, draws_of(file), sunsets, day)


def sunsets_near(file: ShowFile, *days: date) -> Sunsets:
    """Work out the sunsets that a calendar may ask for around some days."""
    sunset = sunset_of(file)
    wanted = {day + timedelta(days=n) for day in days for n in range(-6, 9)}
    return Sunsets({day: sunset(day) for day in sorted(wanted)})


def seed_of(engine: Engine) -> int:
    return int(Reader(engine).setting("seed") or 1)
