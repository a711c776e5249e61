"""What is worked out of the show file as it is kept: once a version, not once a look."""

from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar

Found = TypeVar("Found")


class Newest(Generic[Found]):
    """Thread-safe: while one asker works it out the others wait for that. A failure is not kept."""

    def __init__(self, work_out: Callable[[str], Found]) -> None:
        self._work_out, self._lock = work_out, Lock()
        self._last: tuple[str, Found] | None = None

    def of(self, text: str) -> Found:
        """Raises what working it out does."""
        with self._lock:
            if self._last is None or self._last[0] != text:
                self._last = (text, self._work_out(text))
            return self._last[1]
