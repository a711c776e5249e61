"""An event loop whose clock leaps to the next timer, so that seconds take no time."""

import asyncio
from collections.abc import Coroutine
from typing import Any


class LeapingLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.now_s = 0.0
        super().__init__()

    def time(self) -> float:
        return self.now_s

    def _run_once(self) -> None:
        ready, timers = self._ready, self._scheduled  # type: ignore[attr-defined]
        if not ready and timers:
            self.now_s = max(self.now_s, timers[0]._when)
        super()._run_once()  # type: ignore[misc]


def run_leaping(main: Coroutine[Any, Any, None]) -> None:
    with asyncio.Runner(loop_factory=LeapingLoop) as runner:
        runner.run(main)
