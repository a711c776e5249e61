"""Cues that no board has answered yet. Nothing is sent again by itself."""

from collections import OrderedDict

from haunt.core.decisions import SendCue

ANSWER_MS = 1500
OPEN_MAX = 4096


class CueWatch:
    def __init__(self) -> None:
        self._open: OrderedDict[str, tuple[int, str, str]] = OrderedDict()
        self.unconfirmed: dict[str, str] = {}

    def sent(self, cue: SendCue) -> None:
        while len(self._open) >= OPEN_MAX:
            self._open.popitem(last=False)
        self._open[cue.cue] = (cue.sent_ms + ANSWER_MS, cue.board, cue.prop)

    def answered(self, cue: str) -> str | None:
        """Any report answers. Returns the prop where it was still open or unconfirmed."""
        waiting = self._open.pop(cue, None)
        prop = waiting[2] if waiting is not None else self._late_prop(cue)
        if prop is not None:
            self.unconfirmed.pop(prop, None)
        return prop

    def _late_prop(self, cue: str) -> str | None:
        return next((prop for prop, late in self.unconfirmed.items() if late == cue), None)

    def unanswered(self, mono_ms: int) -> list[tuple[str, str, str]]:
        """Take out the cues (cue, board, prop) that had no answer in 1.5 s."""
        found = []
        while (due := self.next_due_ms()) is not None and due <= mono_ms:
            cue, (_due, board, prop) = self._open.popitem(last=False)
            self.unconfirmed[prop] = cue
            found.append((cue, board, prop))
        return found

    def next_due_ms(self) -> int | None:
        for due, _board, _prop in self._open.values():
            return due
        return None
