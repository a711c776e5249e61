"""Two settings of a prop side by side: every figure, now's and then's, in words and units."""

from typing import NamedTuple

from haunt.study.advice import Advice, Tried


class Side(NamedTuple):
    """One figure of both. `what` says what it is and where it is counted."""

    what: str
    now: str
    then: str


def as_it_is(advice: Advice) -> Tried:
    """Return what the settings of now gave."""
    return at(advice, advice.now_ms / 1000)


def at(advice: Advice, cooldown_s: float) -> Tried:
    """Return the tried rest that is nearest, with patience as it is."""
    plain = [each for each in advice.tried if each.patience_ms is None]
    return min(plain, key=lambda each: abs(each.cooldown_ms - cooldown_s * 1000))


def side_by_side(now: Tried, then: Tried) -> list[Side]:
    reasons = sorted({*now.refused, *then.refused})
    return [
        Side("groups answered", str(now.answered), str(then.answered)),
        Side("groups answered by the others", str(now.elsewhere), str(then.elsewhere)),
        Side("seconds a group waited", _wait(now), _wait(then)),
        Side("starts", str(now.fired), str(then.fired)),
        *(
            Side(f"refused: {each}", str(now.refused.get(each, 0)), str(then.refused.get(each, 0)))
            for each in reasons
        ),
        Side("too late", str(now.lapsed), str(then.lapsed)),
        Side("neighbours playing at once", str(now.clashes), str(then.clashes)),
        Side("mAh of its board, a night", f"{now.used_mah:.0f}", f"{then.used_mah:.0f}"),
        Side("pack at close", _left(now), _left(then)),
        Side("minutes of its sound", _minutes(now.loud_ms), _minutes(then.loud_ms)),
        *_line(now, then),
        Side("minutes of its motor", _minutes(now.motor_ms), _minutes(then.motor_ms)),
        Side("motor, worst ten minutes", f"{now.worst_duty:.1%}", f"{then.worst_duty:.1%}"),
    ]


def _wait(tried: Tried) -> str:
    return f"{tried.waited_ms / 1000 / tried.answered:.1f}" if tried.answered else "-"


def _left(tried: Tried) -> str:
    return "-" if tried.left_percent is None else f"{tried.left_percent:.0f} %"


def _line(now: Tried, then: Tried) -> list[Side]:
    if now.line_ms is None or then.line_ms is None:
        return []
    what = "minutes at the property line, whole show"
    return [Side(what, _minutes(now.line_ms), _minutes(then.line_ms))]


def _minutes(ms: float) -> str:
    return f"{ms / 60_000:.1f}"
