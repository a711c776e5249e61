"""What a calendar lets a show play over a span, piece by piece, by the rules of a running night."""

from collections.abc import Iterator

from haunt.core.calendar import Calendar, Piece


def pieces_between(calendar: Calendar, from_ms: int, until_ms: int) -> Iterator[Piece]:
    """Yield every piece that touches the span (UTC ms), in order."""
    at_ms = from_ms
    while at_ms < until_ms:
        piece = calendar.piece(at_ms)
        yield piece
        at_ms = piece.until_ms
