"""What the steps need from outside: a broker that they alone steer, and a look at the board's line.

They say and hear through it and read its clock; nothing else reaches the board.
"""

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from haunt.wire.packets import Message, SignIn


class Heard(NamedTuple):
    """A message as the broker gave it to us."""

    topic: str
    payload: bytes
    retain: bool
    at_ms: int


class Wire(Protocol):
    """One broker, one controller, one board under test."""

    @property
    def sees_line(self) -> bool:
        """Whether `sign_ins`, `said`, `cut` and `let_back` can be had: not at a foreign broker."""
        ...

    def now_ms(self) -> int:
        """The controller's steady clock."""
        ...

    def wall_ms(self) -> int: ...

    def say(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None: ...

    def hear(self, wait_ms: int) -> Heard | None:
        """The next message from any board; None where none came in time."""
        ...

    def cut(self) -> None:
        """Cut the board's connection as a dead access point would, and keep it out."""
        ...

    def let_back(self) -> None: ...

    def sign_ins(self) -> Sequence[SignIn]:
        """Every sign-in of the board so far."""
        ...

    def said(self) -> Sequence[Message]:
        """Every message that the board wrote so far, as it stood in its packet."""
        ...
