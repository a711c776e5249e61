"""Joins journal, show file and sweep: what other cooldowns would have given, prop by prop."""

from datetime import date
from typing import Any

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.reporting import span_of
from haunt.core.show import Show
from haunt.live.prepare import prepare
from haunt.store.engines import Engine
from haunt.store.nightevents import events_of, memory_before
from haunt.store.nightrows import dates_of, show_at
from haunt.store.reader import Reader
from haunt.study.advice import Advice, advise
from haunt.study.measures import draws_of
from haunt.study.rerun import record
from haunt.study.sweep import Night, night_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NIGHTS_MAX = 5


def advice_on(engine: Engine, prop: str | None, nights: int = 1) -> list[Advice] | str:
    """Weigh the cooldown of one prop, or of each, over the last nights; or say what is missing."""
    kept = Reader(engine).show()
    if kept is None:
        return "there is no show yet"
    file = read_show(kept[1], "show").show
    known = [each.id for each in file.props]
    if prop is not None and prop not in known:
        return f"there is no prop {prop!r}; there are {', '.join(known)}"
    days = dates_of(engine, file.info.time_zone)[: min(nights, NIGHTS_MAX)]
    if not days:
        return "no night has been recorded yet: nothing to run again"
    recorded = [_night(engine, file, day) for day in reversed(days)]
    return [
        advise(recorded, each, charge_left_percent=_left(engine, file, each))
        for each in ([prop] if prop is not None else known)
    ]


def _night(engine: Engine, file: ShowFile, day: str) -> Night:
    """Make a night to be run again under the settings of now."""
    text = show_at(engine, _last_ms(day))
    assert text is not None, "a date with motions has a show"
    sunset = sunset_of(file)
    span = span_of(read_show(text, "show").show, date.fromisoformat(day))
    now: Show = prepare(file, _seed(engine)).show
    after, memory = memory_before(engine, span)
    happened = events_of(engine, after, span, lambda _version: now)
    return night_of(record(happened, memory), now, draws_of(file), sunset)


def _last_ms(day: str) -> int:
    return (date.fromisoformat(day) - date(1970, 1, 1)).days * 86_400_000 + 129_600_000


def _seed(engine: Engine) -> int:
    return int(Reader(engine).setting("seed") or 1)


def _left(engine: Engine, file: ShowFile, prop: str) -> float | None:
    """Return what the prop's pack had last, above the level at which it retires."""
    spec = next(each for each in file.props if each.id == prop)
    rows = Reader(engine).health(board=spec.board, newest=True, limit=1).items
    percent = rows[0]["charge_percent"] if rows else None
    if percent is None:
        return None
    return float(percent) - (spec.retire_percent or 0)


def as_json(advice: Advice) -> dict[str, Any]:
    return {
        "prop": advice.prop,
        "cooldown_s": advice.now_ms / 1000,
        "advised_s": None if advice.cooldown_ms is None else advice.cooldown_ms / 1000,
        "visits": advice.visits,
        "answered": advice.answered,
        "gain": advice.gain,
        "gain_low": advice.low,
        "gain_high": advice.high,
        "sure": round(advice.sure, 3),
        "used_more_mah": round(advice.used_more_mah, 2),
        "why": advice.why,
        "tried": [
            {
                "cooldown_s": each.cooldown_ms / 1000,
                "answered": each.answered,
                "fired": each.fired,
                "used_mah": round(each.used_mah, 2),
                "loud_s": each.loud_ms / 1000,
                "worst_duty": round(each.worst_duty, 4),
            }
            for each in advice.tried
        ],
    }
