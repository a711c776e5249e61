"""What the simulated side is given: boards are the firmware's own code, handed in from outside."""

from typing import Any, Protocol


class Brain(Protocol):
    """The firmware's pure part: `step(ms, event)` gives actions, all of them plain tuples."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]: ...

    def hear_beats(self, topic: str, beats: list[tuple[int, bytes]]) -> list[tuple[Any, ...]]:
        """Step with each of these messages, (ms, payload), oldest first."""
        ...

    def due_ms(self) -> int:
        """Return when time alone makes it do something, by its own clock."""
        ...

    def tally(self) -> "BrainTally":
        """Return what it has counted, for those who hold others to it."""
        ...


class BrainTally(Protocol):
    """`motions` since boot; `dropped` by a full outbox; `waiting` are not confirmed yet."""

    @property
    def motions(self) -> int: ...
    @property
    def dropped(self) -> int: ...
    @property
    def waiting(self) -> int: ...
    @property
    def epoch(self) -> int: ...
    @property
    def stopped(self) -> bool: ...
    @property
    def still(self) -> bool: ...


class MakeBrain(Protocol):
    def __call__(self, config: dict[str, Any], boot: str, reset: str, ms: int) -> Brain:
        """Boot a board: `config` is the board's own file, `ms` its own steady clock."""
        ...
