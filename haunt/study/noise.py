"""How loud a night was for the neighbours: what reached the property line, as time at its limit."""

from collections.abc import Iterable
from typing import Final

from haunt.core.show import Show
from haunt.study.rerun import Play

SOUND_LIMIT: Final = "sound-limit"


def line_ms(show: Show, plays: Iterable[Play]) -> float | None:
    """Return the sound at the point that got most of it; None where no point is given.

    Ten minutes at 10 dB below a point's limit carry as much energy as one minute at the limit,
    and count as that minute. Levels are those of the show file, over open ground.
    """
    limits = {
        at: load.limit
        for at, load in enumerate(show.loads)
        if load.reason == SOUND_LIMIT and load.limit
    }
    if not limits:
        return None
    shares = {
        (prop.id, each.id): [(at, much / limits[at]) for at, much in each.draws if at in limits]
        for prop in show.props
        for each in prop.behaviours
    }
    heard = dict.fromkeys(limits, 0.0)
    for play in plays:
        for at, share in shares[play.prop, play.behaviour]:
            heard[at] += share * play.lasted_ms
    return max(heard.values())


def noise_ms(loud_ms: float, line: float | None) -> float:
    """Return what reached the property line, in ms at its limit; without a point all sound."""
    return float(loud_ms) if line is None else line
