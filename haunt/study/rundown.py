"""Packs that run down by what has been drawn: full at the beginning, down in proportion."""

from collections import defaultdict

from haunt.core.calendar import HOUR_MS
from haunt.core.show import Show
from haunt.study.measures import Draws


class Packs:
    """`flat_ms` says when each fell below the level at which a prop of its board retires."""

    def __init__(self, show: Show, draws: Draws) -> None:
        self._draws = draws
        self._board_of = {prop.id: prop.board for prop in show.props}
        self._retire = {
            board.id: max(
                (p.retire_percent or 0 for p in show.props if p.board == board.id), default=0
            )
            for board in show.boards
        }
        self._played_mah: dict[str, float] = defaultdict(float)
        self._since_ms: int | None = None
        self.flat_ms: dict[str, int] = {}

    def play(self, prop: str, behaviour: str, lasts_ms: int) -> None:
        ma = self._draws.behaviour_ma.get((prop, behaviour), 0.0)
        self._played_mah[self._board_of[prop]] += ma * lasts_ms / HOUR_MS

    def percent(self, board: str, at_ms: int) -> float | None:
        """What is left in a pack, 0 to 100; None without its capacity, or before anything ran."""
        capacity = self._draws.capacity_mah.get(board)
        if not capacity or self._since_ms is None:
            return None
        idle_mah = self._draws.idle_ma.get(board, 0.0) * (at_ms - self._since_ms) / HOUR_MS
        percent = 100 * (1 - (idle_mah + self._played_mah[board]) / capacity)
        if percent < self._retire[board]:
            self.flat_ms.setdefault(board, at_ms)
        return max(0.0, percent)

    def began(self, at_ms: int) -> None:
        if self._since_ms is None:
            self._since_ms = at_ms

    def left(self, at_ms: int) -> dict[str, float]:
        found = {board: self.percent(board, at_ms) for board in self._draws.capacity_mah}
        return {board: percent for board, percent in found.items() if percent is not None}
