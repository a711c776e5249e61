"""What a prop may play while its board hears no controller, and when: what the rules would allow.

It decides nothing of a night that runs. The board allows only light and sound, and only after a
beat; what is said here narrows that by the calendar and by what people have barred.
"""

from typing import Final

from haunt.core.behaviourrules import may_play
from haunt.core.calendar import DAY_MS
from haunt.core.night import Night, Prop
from haunt.core.proprules import held, locked_out, low_battery, out_of_service
from haunt.core.show import Behaviour

AHEAD_MS: Final = DAY_MS * 2 // 3
"""Spans that begin later are told later: a clock reading must not mean today's and tomorrow's."""
PIECES_MAX: Final = 200

BARS: Final = (held, locked_out, out_of_service, low_battery)

Span = tuple[int, int]


def behaviour_alone(night: Night, prop: Prop) -> Behaviour | None:
    """Return what the prop may play alone; None where somebody or something has barred it."""
    if prop.spec.alone is None or prop.spec.arm_by_hand:
        return None
    if any(bars(night, prop, None) >= 0 for bars in BARS):
        return None
    return next((each for each in prop.spec.behaviours if each.id == prop.spec.alone), None)


def spans_alone(night: Night, behaviours: list[Behaviour]) -> list[Span]:
    """Return the stretches, in wall ms, in which all of these may play. They do not creep."""
    piece = night.calendar.piece(night.wall_ms)
    last_ms = night.wall_ms + AHEAD_MS
    found: list[Span] = []
    for _ in range(PIECES_MAX):
        if piece.open and all(may_play(each, piece) for each in behaviours):
            if found and found[-1][1] == piece.from_ms:
                found[-1] = (found[-1][0], piece.until_ms)
            else:
                found.append((piece.from_ms, piece.until_ms))
        if piece.until_ms > last_ms:
            break
        piece = night.calendar.piece(piece.until_ms)
    return found
