"""A virtual clock and what is to happen when. Nothing happens twice at random: ties go in order."""

from collections.abc import Callable
from heapq import heappop, heappush


class Schedule:
    """`now_ms` is the only time in a simulated world; `wall_ms` may be stepped by a test."""

    def __init__(self, now_ms: int, wall_ms: int) -> None:
        self.now_ms = now_ms
        self._offset_ms = wall_ms - now_ms
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._count = 0

    def mono_ms(self) -> int:
        return self.now_ms

    def wall_ms(self) -> int:
        return self.now_ms + self._offset_ms

    def step_wall(self, by_ms: int) -> None:
        self._offset_ms += by_ms

    def at(self, ms: int, what: Callable[[], None]) -> None:
        self._count += 1
        heappush(self._due, (max(ms, self.now_ms), self._count, what))

    def after(self, ms: int, what: Callable[[], None]) -> None:
        self.at(self.now_ms + ms, what)

    def next_ms(self) -> int | None:
        return self._due[0][0] if self._due else None

    def run_until(self, ms: int) -> None:
        while self._due and self._due[0][0] <= ms:
            self.now_ms, _, what = heappop(self._due)
            what()
        self.now_ms = max(self.now_ms, ms)
