"""What a board is told for the time when it hears no controller: be still, or play little.

The board itself allows only light and sound, for at most 30 s, and only after a beat of this
boot; what is told here narrows that to tonight's hours and to props that nobody has barred.
"""

from typing import Final

from haunt.core.calendar import Piece
from haunt.core.night import Board, Night, Prop
from haunt.core.show import Behaviour
from haunt.wire.payloads import PropAlone, Settings

DAY_MS: Final = 86_400_000
AHEAD_MS: Final = DAY_MS * 2 // 3
"""Spans that begin later are told later: a clock reading must not mean today's and tomorrow's."""
MINUTE_MS: Final = 60_000
SPANS_MAX: Final = 16
PIECES_MAX: Final = 200

Span = tuple[int, int]


def settings_of(night: Night, board: Board, version: int) -> Settings:
    """`still` where nobody is to play, or nobody may now."""
    playing = [(prop, found) for prop in board.props if (found := _allowed(night, prop))]
    if not playing or night.stopped or night.walk_test:
        return Settings(version=version, mode="still")
    hours = _readings(_spans(night, [behaviour for _prop, behaviour in playing]))
    if not hours:
        return Settings(version=version, mode="still")
    props = {
        prop.spec.id: PropAlone(behaviour=behaviour.id, cooldown_ms=prop.spec.cooldown_ms)
        for prop, behaviour in playing
    }
    return Settings(version=version, mode="alone", props=props, hours=hours)


def _allowed(night: Night, prop: Prop) -> Behaviour | None:
    """A prop that is held, worked on, out of service or flat is left out."""
    barred = prop.locked_by or prop.out_of_service or prop.retired or prop.spec.arm_by_hand
    held = prop.held and (prop.held_until_ms is None or prop.held_until_ms > night.now_ms)
    if prop.spec.alone is None or barred or held:
        return None
    return next((each for each in prop.spec.behaviours if each.id == prop.spec.alone), None)


def _spans(night: Night, behaviours: list[Behaviour]) -> list[Span]:
    """Return the stretches, in wall ms, in which all of these may play. They do not creep."""
    piece = night.calendar.piece(night.wall_ms)
    last_ms = night.wall_ms + AHEAD_MS
    found: list[Span] = []
    for _ in range(PIECES_MAX):
        if all(_may(piece, each) for each in behaviours):
            if found and found[-1][1] == piece.from_ms:
                found[-1] = (found[-1][0], piece.until_ms)
            else:
                found.append((piece.from_ms, piece.until_ms))
        if piece.until_ms > last_ms:
            break
        piece = night.calendar.piece(piece.until_ms)
    return found[:SPANS_MAX]


def _may(piece: Piece, behaviour: Behaviour) -> bool:
    if not piece.open or behaviour.intensity > piece.max_intensity:
        return False
    if behaviour.flash_mhz > piece.max_flash_mhz:
        return False
    if not piece.quiet:
        return True
    level, most = behaviour.level_dba, piece.quiet_dba
    return most is not None and level is not None and level <= most


def _readings(spans: list[Span]) -> tuple[tuple[str, str], ...]:
    """Clock readings of UTC, whole minutes inside the span; equal ends are the whole day."""
    found = []
    for start, end in spans:
        first, last = -(-start // MINUTE_MS), end // MINUTE_MS
        if end - start >= DAY_MS:
            return (("00:00", "00:00"),)
        if first < last:
            found.append((_clock(first), _clock(last)))
    return tuple(found)


def _clock(minutes: int) -> str:
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"
