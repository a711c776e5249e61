"""Which props get no cues because their board starts again and again, or is two. No I/O."""

from collections.abc import Iterator, Mapping
from typing import Final

from haunt.core.night import Night, Prop
from haunt.live.alerts.kinds import Kind

HOLD_MS: Final = 60_000
RENEW_MS: Final = 20_000
BY: Final[dict[Kind, str]] = {Kind.BOOT_LOOP: "boot loop", Kind.TWO_BOARDS: "two boards"}
"""In whose name such a prop is held; it is let go a minute after the fault is over."""


def to_hold(night: Night, unsteady: Mapping[str, Kind], mono_ms: int) -> Iterator[tuple[str, str]]:
    """Yield (prop, in whose name) to be held for `HOLD_MS`. A person's own hold stands."""
    for board, kind in unsteady.items():
        for prop in night.boards[board].props:
            if _may_hold(prop, BY[kind], mono_ms):
                yield prop.spec.id, BY[kind]


def _may_hold(prop: Prop, by: str, mono_ms: int) -> bool:
    if not prop.held:
        return True
    until_ms = prop.held_until_ms
    if until_ms is None:
        return False
    return until_ms <= mono_ms or (prop.held_by == by and until_ms - mono_ms <= RENEW_MS)
