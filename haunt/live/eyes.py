"""What each sensor gave away lately, for people who walk past it: hits, when, how many a minute.

It judges nothing about the show; a walk test begins its counts anew.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from haunt.core.calendar import MINUTE_MS

CHATTERS_A_MINUTE: Final = 12
"""Nobody walks past one sensor twelve times a minute: a choice, for walk tests only."""
RECENT_MAX: Final = 64
NO_EYES: Final = frozenset({"button"})
"""Kinds of sensors that see nobody: they are pressed."""


class Hit(NamedTuple):
    """The newest report of any sensor; `number` counts up, so that a page can tell a new one."""

    sensor: str
    at_ms: int
    number: int


@dataclass(slots=True)
class Eye:
    """`hits` since the walk test began, or since the start where none was."""

    hits: int = 0
    last_wall_ms: int | None = None
    recent_ms: deque[int] = field(default_factory=lambda: deque(maxlen=RECENT_MAX))

    def a_minute(self, mono_ms: int) -> int:
        """Hits of the last minute; older ones are let go, since time does not come back."""
        while self.recent_ms and mono_ms - self.recent_ms[0] >= MINUTE_MS:
            self.recent_ms.popleft()
        return len(self.recent_ms)


UNSEEN: Final = Eye()
"""Of a sensor that saw nobody; it is only read."""


class Eyes:
    def __init__(self) -> None:
        self.latest: Hit | None = None
        self._eyes: dict[str, Eye] = {}
        self._number = 0

    def hit(self, sensor: str, mono_ms: int, wall_ms: int) -> None:
        eye = self._eyes.setdefault(sensor, Eye())
        eye.hits += 1
        eye.last_wall_ms = wall_ms
        eye.recent_ms.append(mono_ms)
        self._number += 1
        self.latest = Hit(sensor, wall_ms, self._number)

    def of(self, sensor: str) -> Eye:
        return self._eyes.get(sensor, UNSEEN)

    def begin(self) -> None:
        """A walk test begins: nobody has been seen yet."""
        self._eyes.clear()
        self.latest = None
