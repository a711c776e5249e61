"""A virtual clock and what is to happen when. Nothing happens twice at random: ties go in order."""

from collections.abc import Callable
from heapq import heappop, heappush


class Schedule:
    """`now_ms` is the only time in a simulated world; `wall_ms` may be stepped by a test."""

    __slots__ = ("_count", "_due", "_offset_ms", "now_ms")

    def __init__(self, now_ms: int, wall_ms: int) -> None:
        self.now_ms = now_ms
        self._offset_ms = wall_ms - now_ms
        self._due: list[tuple[int, int, Callable[[], object]]] = []
        self._count = 0

    def __len__(self) -> int:
        return len(self._due)

    def mono_ms(self) -> int:
        return self.now_ms

    def wall_ms(self) -> int:
        return self.now_ms + self._offset_ms

    def step_wall(self, by_ms: int) -> None:
        self._offset_ms += by_ms

    def at(self, ms: int, what: Callable[[], object]) -> None:
        self._count = count = self._count + 1
        heappush(self._due, (max(ms, self.now_ms), count, what))

    def after(self, ms: int, what: Callable[[], object]) -> None:
        self._count = count = self._count + 1
        heappush(self._due, (self.now_ms + ms if ms > 0 else self.now_ms, count, what))

    def next_ms(self) -> int | None:
        return self._due[0][0] if self._due else None

    def run_until(self, ms: int) -> None:
        due, pop = self._due, heappop
        while due and due[0][0] <= ms:
            self.now_ms, _, what = pop(due)
            what()
        self.now_ms = max(self.now_ms, ms)
