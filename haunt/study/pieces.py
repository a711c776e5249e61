"""What a calendar lets a show play over a span, piece by piece, by the rules of a running night."""

from collections.abc import Iterator

from haunt.core.behaviourrules import too_loud, too_strong
from haunt.core.calendar import Calendar, Piece
from haunt.core.show import Behaviour


def pieces_between(calendar: Calendar, from_ms: int, until_ms: int) -> Iterator[Piece]:
    """Yield every piece that touches the span (UTC ms), in order."""
    at_ms = from_ms
    while at_ms < until_ms:
        piece = calendar.piece(at_ms)
        yield piece
        at_ms = piece.until_ms


def may_play(behaviour: Behaviour, piece: Piece) -> bool:
    """As `audience` and `quiet-hours` have it, while nobody has a hand on the show."""
    is_strong = too_strong(behaviour, piece.max_intensity, piece.max_flash_mhz)
    return not (is_strong or too_loud(piece, behaviour))
