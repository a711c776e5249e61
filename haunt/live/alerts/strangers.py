"""Boards that speak and are not in the show: how often, and since when they are quiet."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from haunt.live.alerts.kinds import Finding, Kind
from haunt.live.alerts.rules import QUIET_AFTER_MS

STRANGERS_MAX: Final = 16
MANY: Final = "of many names"
"""Under which those beyond the bound are counted together: a forger makes up names without end."""


@dataclass(slots=True)
class Stranger:
    total: int = 0
    last_ms: int = 0


class Strangers:
    def __init__(self) -> None:
        self._known: dict[str, Stranger] = {}

    def note(self, board: str, mono_ms: int) -> None:
        if board not in self._known and len(self._known) >= STRANGERS_MAX:
            board = MANY
        found = self._known.setdefault(board, Stranger())
        found.total, found.last_ms = found.total + 1, mono_ms

    def welcome(self, boards: Iterable[str]) -> None:
        """They are in the show now."""
        for board in boards:
            self._known.pop(board, None)

    def findings(self, mono_ms: int) -> list[Finding]:
        return [
            Finding(Kind.STRANGER, name, total=each.total)
            for name, each in self._known.items()
            if mono_ms - each.last_ms <= QUIET_AFTER_MS
        ]
