"""Cues on their way: which no board has answered yet, and how long the last of each prop took.

Nothing is sent again by itself.
"""

from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Final

from haunt.core.decisions import SendCue

ANSWER_MS: Final = 1500
OPEN_MAX: Final = 4096


@dataclass(frozen=True, slots=True)
class Trip:
    """One cue from the decision on: `heard_ms` and `done_ms` after it was sent, by our clock."""

    cue: str
    behaviour: str
    sent_ms: int
    heard_ms: int | None = None
    done_ms: int | None = None
    end: str = ""


class CueWatch:
    def __init__(self) -> None:
        self._open: OrderedDict[str, tuple[int, str, str]] = OrderedDict()
        self.unconfirmed: dict[str, str] = {}
        self.trips: dict[str, Trip] = {}
        self._prop_of: dict[str, str] = {}

    def sent(self, cue: SendCue) -> None:
        while len(self._open) >= OPEN_MAX:
            self._open.popitem(last=False)
        self._open[cue.cue] = (cue.sent_ms + ANSWER_MS, cue.board, cue.prop)
        before = self.trips.get(cue.prop)
        if before is not None:
            self._prop_of.pop(before.cue, None)
        self.trips[cue.prop] = Trip(cue.cue, cue.behaviour, cue.sent_ms)
        self._prop_of[cue.cue] = cue.prop

    def answered(self, cue: str) -> str | None:
        """Any report answers. Returns the prop where it was still open or unconfirmed."""
        waiting = self._open.pop(cue, None)
        prop = waiting[2] if waiting is not None else self._late_prop(cue)
        if prop is not None:
            self.unconfirmed.pop(prop, None)
        return prop

    def reported(self, cue: str, state: str, mono_ms: int) -> str | None:
        """Note how far the last cue of a prop has come. Returns the prop where that is news."""
        prop = self._prop_of.get(cue)
        if prop is None:
            return None
        trip = self.trips[prop]
        after_ms = max(0, mono_ms - trip.sent_ms)
        if trip.heard_ms is None:
            trip = replace(trip, heard_ms=after_ms)
        if state != "started" and not trip.end:
            trip = replace(trip, done_ms=after_ms, end=state)
        if trip is self.trips[prop]:
            return None
        self.trips[prop] = trip
        return prop

    def _late_prop(self, cue: str) -> str | None:
        return next((prop for prop, late in self.unconfirmed.items() if late == cue), None)

    def unanswered(self, mono_ms: int) -> list[tuple[str, str]]:
        """Take out the cues that had no answer in 1.5 s; return each one's board and prop."""
        found = []
        while (due := self.next_due_ms()) is not None and due <= mono_ms:
            cue, (_due, board, prop) = self._open.popitem(last=False)
            self.unconfirmed[prop] = cue
            found.append((board, prop))
        return found

    def next_due_ms(self) -> int | None:
        for due, _board, _prop in self._open.values():
            return due
        return None
