"""A thread that sleeps until it is rung for and ends when told to; what it does is its owner's."""

import threading
from collections.abc import Callable


class Bell:
    """`work` runs in the thread: it sleeps in `wait`, and looks at `ending` before it goes on."""

    def __init__(self, name: str, work: Callable[[], None]) -> None:
        self.ending = threading.Event()
        self._rung = threading.Event()
        self._thread = threading.Thread(target=work, name=name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def ring(self) -> None:
        self._rung.set()

    def wait(self) -> None:
        self._rung.wait()
        self._rung.clear()

    def end(self, timeout_s: float) -> None:
        """Let the thread finish; a thread that takes longer is left to the end of the process."""
        self.ending.set()
        self.ring()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
