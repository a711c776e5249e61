"""Tells a board, as its settings, what it may play by itself while it hears no controller."""

from typing import Final

from haunt.core.alone import Span, behaviour_alone, spans_alone
from haunt.core.calendar import DAY_MS, MINUTE_MS
from haunt.core.night import Board, Night
from haunt.wire.payloads import PropAlone, Settings

SPANS_MAX: Final = 16
"""As many as the wire takes."""


def settings_of(night: Night, board: Board, version: int) -> Settings:
    """`still` where nobody is to play, or nobody may now."""
    still = Settings(version=version, mode="still")
    playing = [(prop, found) for prop in board.props if (found := behaviour_alone(night, prop))]
    if not playing or night.stopped or night.walk_test:
        return still
    hours = _readings(spans_alone(night, [each for _prop, each in playing])[:SPANS_MAX])
    if not hours:
        return still
    props = {
        prop.spec.id: PropAlone(behaviour=behaviour.id, cooldown_ms=prop.spec.cooldown_ms)
        for prop, behaviour in playing
    }
    return Settings(version=version, mode="alone", props=props, hours=hours)


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
