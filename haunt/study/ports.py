"""What the simulated side is given: boards are the firmware's own code, handed in from outside."""

from typing import Any, Protocol


class Brain(Protocol):
    """The firmware's pure part: `step(ms, event)` gives actions, all of them plain tuples."""

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]: ...


class MakeBrain(Protocol):
    def __call__(self, config: dict[str, Any], boot: str, reset: str, ms: int) -> Brain:
        """Boot a board: `config` is the board's own file, `ms` its own steady clock."""
        ...
