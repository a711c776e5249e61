"""One connection of a board at the simulated broker: what is held, what is coming, its will.

It holds and decides nothing; `air.py` moves what is in it.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from haunt.study.chance import Chance

Mark = tuple[str, int]
"""Clock and epoch of a beat."""


class Hears(Protocol):
    """One board, as far as the air is concerned."""

    def hear(self, topic: str, payload: bytes, retain: bool) -> None: ...

    def lost(self) -> None:
        """The connection is gone, and the board knows it."""
        ...


class Will(NamedTuple):
    topic: str
    payload: bytes


class Path:
    """One connection of a board. While `dark` nothing passes and nobody notices.

    `coming` are beats with the instant at which they are there, not heard yet; `next_beat` counts
    the first whose luck is not drawn yet, None while each is sent on by itself.
    """

    __slots__ = (
        "alive",
        "beats",
        "board",
        "chance",
        "coming",
        "dark",
        "hears",
        "held_down",
        "held_up",
        "mark",
        "next_beat",
        "topics",
        "will",
    )

    def __init__(
        self,
        board: str,
        hears: Hears,
        will: Will,
        topics: tuple[str, ...],
        chance: Chance,
        beats: Chance,
    ) -> None:
        self.board, self.hears, self.will, self.topics = board, hears, will, topics
        self.chance, self.beats = chance, beats
        self.alive, self.dark = True, False
        self.held_up: list[Callable[[], None]] = []
        self.held_down: list[Callable[[], None]] = []
        self.coming: list[tuple[int, bytes]] = []
        self.mark: Mark | None = None
        self.next_beat: int | None = None
