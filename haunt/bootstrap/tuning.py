"""Joins journal, show file and sweep: what other settings would have given, prop by prop."""

from dataclasses import asdict
from typing import Any, Final, NamedTuple

from haunt.bootstrap.recordings import last_nights, show_of
from haunt.bootstrap.trials import trials
from haunt.store.engines import Engine
from haunt.store.reader import Reader
from haunt.study.advice import Advice, Tried, advise, settings_for
from haunt.study.overall import Overall, overall, settings_of_show
from haunt.study.progress import Progress, quiet
from haunt.study.rerun import LIMITS
from haunt.study.sweep import COOLDOWNS_MS, PATIENCES_MS
from haunt.wire.showmodels import ShowFile

PROPS_MAX: Final = 200


class Wanted(NamedTuple):
    """What to weigh: one prop or each, on so many last nights; other patiences, one more rest."""

    prop: str | None = None
    nights: int = 1
    patience: bool = False
    rest_s: float | None = None


def advice_on(
    engine: Engine, wanted: Wanted, *, jobs: int | None = None, progress: Progress = quiet
) -> list[Advice] | str:
    """Weigh settings over the last nights, or say what is missing."""
    file = show_of(engine)
    if isinstance(file, str):
        return file
    known = [each.id for each in file.props]
    if wanted.prop is not None and wanted.prop not in known:
        return f"there is no prop {wanted.prop!r}; there are {', '.join(known)}"
    recorded = last_nights(engine, file, wanted.nights)
    if isinstance(recorded, str):
        return recorded
    asked = [wanted.prop] if wanted.prop is not None else known[:PROPS_MAX]
    patiences = PATIENCES_MS if wanted.patience else ()
    rests_ms = COOLDOWNS_MS
    if wanted.rest_s is not None:
        rests_ms = (*COOLDOWNS_MS, round(wanted.rest_s * 1000))
    specs = {each.id: each for each in recorded[-1].show.props}
    count = sum(len(settings_for(specs[each], rests_ms, patiences)) for each in asked)
    with trials(recorded, count, progress, jobs) as attempts:
        return [
            advise(
                recorded,
                each,
                rests_ms,
                charge_left_percent=_left(engine, file, each),
                patiences_ms=patiences,
                attempts=attempts,
            )
            for each in asked
        ]


def show_front(
    engine: Engine, nights: int = 1, *, jobs: int | None = None, progress: Progress = quiet
) -> Overall | str:
    """Weigh what holds for the whole show: stagger, phases, and all cooldowns stretched."""
    file = show_of(engine)
    if isinstance(file, str):
        return file
    recorded = last_nights(engine, file, nights)
    if isinstance(recorded, str):
        return recorded
    settings = settings_of_show(recorded[-1].show)
    with trials(recorded, len(settings), progress, jobs) as attempts:
        return overall(recorded, settings, attempts)


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
        "advised_patience_s": _seconds(advice.patience_ms),
        "visits": advice.visits,
        "answered": advice.answered,
        "gain": advice.gain,
        "gain_low": advice.low,
        "gain_high": advice.high,
        "sure": advice.sure,
        "used_more_mah": advice.used_more_mah,
        "why": advice.why,
        "nights": list(advice.days),
        "blocks": advice.blocks,
        "by_night": advice.by_night,
        "tried": [_tried(each) for each in advice.tried],
        "limits": list(LIMITS),
    }


def _tried(tried: Tried) -> dict[str, Any]:
    return {
        "cooldown_s": tried.cooldown_ms / 1000,
        "patience_s": _seconds(tried.patience_ms),
        "answered": tried.answered,
        "fired": tried.fired,
        "used_mah": tried.used_mah,
        "left_percent": tried.left_percent,
        "loud_s": tried.loud_ms / 1000,
        "worst_duty": tried.worst_duty,
        "waited_s": tried.waited_ms / 1000,
        "clashes": tried.clashes,
        "elsewhere": tried.elsewhere,
        "on_front": tried.on_front,
        "bars": tried.bars,
        "refused": dict(tried.refused),
        "lapsed": tried.lapsed,
        "motor_s": tried.motor_ms / 1000,
        "line_s": None if tried.line_ms is None else tried.line_ms / 1000,
    }


def _seconds(ms: int | None) -> float | None:
    return None if ms is None else ms / 1000


def overall_as_json(found: Overall) -> dict[str, Any]:
    return {**asdict(found), "limits": list(LIMITS)}
