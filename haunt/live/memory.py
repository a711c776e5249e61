"""How a restarted controller gets its state and its steady clock back from what was kept."""

from collections.abc import Iterable
from typing import Any

from haunt.core.arbiter import Arbiter
from haunt.core.calendar import DAY_MS, Sunset
from haunt.core.events import Event
from haunt.core.show import Show


def resumed_mono_ms(last: tuple[int, int] | None, wall_ms: int) -> int:
    """Last stored steady time plus the wall time passed since, held within 0..24 h."""
    if last is None:
        return DAY_MS
    mono_ms, at_wall_ms = last
    return mono_ms + min(max(0, wall_ms - at_wall_ms), DAY_MS)


def remembered(
    show: Show, sunset: Sunset, snapshot: dict[str, Any] | None, happened: Iterable[Event]
) -> dict[str, Any] | None:
    """Return the newest snapshot brought forward by the events after it; None for a new night.

    `show` is the one that the snapshot was taken under: what happened before a change of the show
    was not decided by the new one.
    """
    arbiter, is_known = Arbiter(show, sunset, snapshot), snapshot is not None
    for event in happened:
        arbiter.handle(event)
        is_known = True
    return arbiter.snapshot() if is_known else None
