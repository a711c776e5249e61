"""Cues that no board has answered yet. Nothing is sent again by itself."""

from haunt.core.decisions import SendCue

ANSWER_MS = 1500
OPEN_MAX = 4096


class CueWatch:
    def __init__(self) -> None:
        self._open: dict[str, tuple[int, str, str]] = {}
        self.unconfirmed: dict[str, str] = {}

    def sent(self, cue: SendCue) -> None:
        while len(self._open) >= OPEN_MAX:
            del self._open[next(iter(self._open))]
        self._open[cue.cue] = (cue.sent_ms + ANSWER_MS, cue.board, cue.prop)

    def answered(self, cue: str) -> str | None:
        """Any report answers. Returns the prop where it was still open or unconfirmed."""
        waiting = self._open.pop(cue, None)
        prop = waiting[2] if waiting is not None else None
        for name, late in list(self.unconfirmed.items()):
            if late == cue or name == prop:
                del self.unconfirmed[name]
                prop = name
        return prop

    def unanswered(self, mono_ms: int) -> list[tuple[str, str, str]]:
        """Take out the cues (cue, board, prop) that had no answer in 1.5 s."""
        found = []
        for cue, (due, board, prop) in list(self._open.items()):
            if due > mono_ms:
                break
            del self._open[cue]
            self.unconfirmed[prop] = cue
            found.append((cue, board, prop))
        return found

    def next_due_ms(self) -> int | None:
        for due, _board, _prop in self._open.values():
            return due
        return None
