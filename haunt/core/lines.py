"""Which line a prop says next: none again before all that may be said now have been said.

Draws and changes nothing; what was said is noted where the play starts. Whether a prop may start is
not asked here.
"""

from haunt.core.dice import draw
from haunt.core.moment import strongest
from haunt.core.night import Night, Prop
from haunt.core.plays import Saying
from haunt.core.show import Behaviour, Line

INTENSITY_MAX = 5
"""The top of the scale: a phase that allows it bars nothing, and is not gentle."""


def next_line(night: Night, prop: Prop, behaviour: Behaviour, cue: str) -> Saying | None:
    """Draw among what was not said yet; None where the phase bars every line."""
    limit, _flash_mhz = strongest(night, night.piece(), night.now_ms)
    sayable = [each for each in behaviour.lines if may_say(each, limit)]
    if not sayable:
        return None
    heard, said = prop.said, set(prop.said)
    fresh = [each for each in sayable if each.id not in said]
    if not fresh:
        fresh, heard = _begin_again(prop, sayable)
    return Saying(fresh[draw(night.show.seed, f"line {cue}", len(fresh))], heard)


def may_say(line: Line, limit: int) -> bool:
    return line.intensity <= limit and not (line.barred and limit < INTENSITY_MAX)


def _begin_again(prop: Prop, sayable: list[Line]) -> tuple[list[Line], list[str]]:
    """The pool is used up: all of it is fresh again, but not the last one twice in a row.

    What the show no longer has is forgotten here, so that the memory stays as small as the pools.
    """
    last = prop.said[-1]
    again = {each.id for each in sayable}
    known = {each.id for behaviour in prop.spec.behaviours for each in behaviour.lines}
    heard = [each for each in prop.said if each in known and each not in again]
    return [each for each in sayable if each.id != last] or sayable, heard
