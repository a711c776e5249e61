"""Weighed settings as pages show them: a sentence, a table, and a picture of the front."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from haunt.live.views import PropView
from haunt.site.clocks import seconds
from haunt.site.frontwords import Dot, across_of, minutes, up_of
from haunt.site.workports import Work
from haunt.site.workwords import progress_of
from haunt.study.advice import (
    DEAR,
    MOTOR,
    NEIGHBOURS,
    NO_GAIN,
    OTHER_PACK,
    PACK,
    UNSURE,
    Advice,
    Tried,
)
from haunt.study.comparison import Side, as_it_is, side_by_side

SHORT: Final = {
    NO_GAIN: "no gain",
    UNSURE: "unsure",
    NEIGHBOURS: "neighbours lose",
    PACK: "pack too low",
    OTHER_PACK: "a neighbour's pack too low",
    MOTOR: "motor past its duty",
    DEAR: "dear",
}
"""Why a setting is not advised, as one cell of a table."""


class Row(NamedTuple):
    """One setting as the page shows it. `pack` is what would have been left, or what was drawn."""

    seconds: str
    answered: int
    fired: int
    wait: str
    pack: str
    loud: str
    motor: str
    is_now: bool
    is_advised: bool
    is_best: bool
    bars: str


class Choice(NamedTuple):
    """The setting that is looked at, with its neighbours for the steppers."""

    seconds: str
    said: str
    less: str
    more: str
    is_now: bool
    bars: str
    sides: tuple[Side, ...]


class Weighed(NamedTuple):
    """What came of weighing, or how far it is (`percent`), or why there is nothing (`said`)."""

    is_running: bool
    percent: int
    said: str
    advice: str = ""
    sure: str = ""
    rows: tuple[Row, ...] = ()
    dots: tuple[Dot, ...] = ()
    choice: Choice | None = None
    visits: int = 0
    has_line: bool = False


def weighed_of(found: Work | Advice, prop: PropView, try_s: float | None) -> Weighed:
    if isinstance(found, Work):
        return Weighed(*progress_of(found, "settings"))
    now = as_it_is(found)
    wanted_ms = _wanted(found, try_s)
    rows = tuple(_row(each, found) for each in found.tried if each.patience_ms is None)
    shown = [each for each in found.tried if each.patience_ms is None]
    at = next(n for n, each in enumerate(shown) if each.cooldown_ms == wanted_ms)
    chosen = shown[at]
    return Weighed(
        is_running=False,
        percent=100,
        said="",
        advice=_advised(found, prop.name),
        sure=_sure(found),
        rows=rows,
        dots=_dots(shown, found),
        choice=Choice(
            seconds(chosen.cooldown_ms),
            _would(chosen, now, found),
            seconds(shown[at - 1].cooldown_ms) if at else "",
            seconds(shown[at + 1].cooldown_ms) if at + 1 < len(shown) else "",
            chosen.cooldown_ms == found.now_ms,
            chosen.bars if chosen.cooldown_ms != found.now_ms else "",
            tuple(side_by_side(now, chosen)),
        ),
        visits=found.visits,
        has_line=now.line_ms is not None,
    )


def _wanted(advice: Advice, try_s: float | None) -> int:
    """Return the tried setting that is nearest to what is asked for; else advised; else now's."""
    if try_s is None:
        return advice.cooldown_ms if advice.cooldown_ms is not None else advice.now_ms
    return min((t.cooldown_ms for t in advice.tried), key=lambda ms: abs(ms - try_s * 1000))


def _would(then: Tried, now: Tried, advice: Advice) -> str:
    nights = len(advice.days)
    when = "last night" if nights <= 1 else f"on {nights} nights"
    if then.cooldown_ms == now.cooldown_ms:
        said = f"As it is set now: {now.answered} of {advice.visits} groups answered {when}"
        return said + (f"; pack at close {now.left_percent:.0f} %." if now.left_percent else ".")
    said = (
        f"Would have answered {then.answered} instead of {now.answered} of {advice.visits} "
        f"groups {when}"
    )
    if then.left_percent is not None and now.left_percent is not None:
        left, was = f"{then.left_percent:.0f} %", f"{now.left_percent:.0f} %"
        return f"{said}; pack at close {left} {'as now' if left == was else f'instead of {was}'}."
    more_mah = then.used_mah - now.used_mah
    return f"{said}; {round(more_mah):+d} mAh a night." if abs(more_mah) >= 1 else f"{said}."


def _advised(advice: Advice, name: str) -> str:
    if advice.cooldown_ms is None:
        return f"Advice: change nothing. {advice.why[:1].upper()}{advice.why[1:]}."
    return f"Advice: {name} rests {seconds(advice.cooldown_ms)} s; it {advice.why}."


def _sure(advice: Advice) -> str:
    if advice.cooldown_ms is None:
        return ""
    blocks = f"{advice.blocks} {'nights' if advice.by_night else 'half hours'}"
    return f"{advice.low:+} to {advice.high:+} groups, {advice.sure:.0%} sure, by {blocks}."


def _row(tried: Tried, advice: Advice) -> Row:
    wait_s = tried.waited_ms / 1000 / tried.answered if tried.answered else 0.0
    now = as_it_is(advice)
    pack = f"{round(tried.used_mah - now.used_mah):+d} mAh"
    if tried.left_percent is not None:
        pack = f"{tried.left_percent:.0f} %"
    is_now = tried.cooldown_ms == advice.now_ms
    return Row(
        seconds(tried.cooldown_ms),
        tried.answered,
        tried.fired,
        f"{wait_s:.1f} s",
        pack,
        minutes(tried.noise_ms),
        minutes(tried.motor_ms) if tried.motor_ms else "-",
        is_now,
        tried.cooldown_ms == advice.cooldown_ms,
        tried.on_front,
        "" if is_now else SHORT.get(tried.bars, tried.bars),
    )


def _dots(shown: Sequence[Tried], advice: Advice) -> tuple[Dot, ...]:
    """Draw starts (what costs charge, noise and wear) to the right, groups answered upwards."""
    across = [float(each.fired) for each in shown]
    up = [float(each.answered) for each in shown]
    return tuple(
        Dot(
            across_of(x, across),
            up_of(y, up),
            _kind(each, advice),
            seconds(each.cooldown_ms),
            f"{seconds(each.cooldown_ms)} s: {each.answered} answered, {each.fired} starts",
        )
        for each, x, y in zip(shown, across, up, strict=True)
    )


def _kind(tried: Tried, advice: Advice) -> str:
    if tried.cooldown_ms == advice.cooldown_ms:
        return "advised"
    if tried.cooldown_ms == advice.now_ms:
        return "now"
    return "best" if tried.on_front else "beaten"
