"""What the pages of lines need: pools as they stand, judgements, and long work on them."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

from haunt.live.errors import CrewMistake
from haunt.site.workports import Work, WorkState
from haunt.study.pools.pool import PoolLine, State
from haunt.study.pools.reading import Entry
from haunt.wire.showmodels import ShowFile


class Line(NamedTuple):
    """One line of a pool. `seconds` are measured where there is a sound, else reckoned.

    `is_barred`: it has a word that gentle phases must not hear.
    """

    line: PoolLine
    seconds: float
    has_sound: bool
    is_barred: bool


class Pool(NamedTuple):
    """All lines of one behaviour, in the order in which they came."""

    prop: str
    behaviour: str
    lines: tuple[Line, ...]

    def count(self, state: State) -> int:
        return sum(each.line.state is state for each in self.lines)


class LineBook(Protocol):
    """Writers raise CrewMistake in words. What is judged is said a moment later: see `waiting`."""

    @property
    def trouble(self) -> str:
        """Say why the show could not follow the last judgements; empty while it does."""
        ...

    def show(self) -> ShowFile: ...
    def pools(self) -> list[Pool]:
        """Return a pool of every behaviour, in the order of the show file; empty ones too."""
        ...

    def pool(self, prop: str, behaviour: str) -> Pool: ...
    def judge(self, prop: str, behaviour: str, name: str, state: State, by: str) -> State:
        """Return the state before."""
        ...

    def add(self, prop: str, behaviour: str, entries: Sequence[Entry], by: str) -> int:
        """Return how many were new to their pool; an entry may name another pool of the show."""
        ...

    def follow(self, by: str = "") -> None:
        """Let the show follow at once, before the moment is over."""
        ...

    def welcome(self, by: str, *, gibberish: bool) -> None: ...
    def prepare(self, prop: str, behaviour: str, count: int) -> Work: ...
    def make_sounds(self) -> Work: ...
    def work(self) -> Work | None:
        """Return the work that runs or ran last; its output says what came of it."""
        ...

    def cancel(self) -> None: ...
    def sound(self, name: str) -> Path | None: ...


class NoLines:
    """A site without a store."""

    trouble = ""

    def show(self) -> ShowFile:
        raise CrewMistake("this server keeps no lines", missing=True)

    def pools(self) -> list[Pool]:
        return []

    def pool(self, prop: str, behaviour: str) -> Pool:
        return Pool(prop, behaviour, ())

    def judge(self, prop: str, behaviour: str, name: str, state: State, by: str) -> State:  # noqa: ARG002 - the port's words
        raise CrewMistake("this server keeps no lines", about=prop, missing=True)

    def add(self, prop: str, behaviour: str, entries: Sequence[Entry], by: str) -> int:  # noqa: ARG002 - as above
        raise CrewMistake("this server keeps no lines", about=prop)

    def follow(self, by: str = "") -> None:
        """There is nothing to follow."""

    def welcome(self, by: str, *, gibberish: bool) -> None:  # noqa: ARG002 - as above
        raise CrewMistake("this server keeps no lines")

    def prepare(self, prop: str, behaviour: str, count: int) -> Work:  # noqa: ARG002 - as above
        return Work(WorkState.FAILED, said="this server cannot prepare lines")

    def make_sounds(self) -> Work:
        return Work(WorkState.FAILED, said="this server makes no sounds")

    def work(self) -> Work | None:
        return None

    def cancel(self) -> None:
        """Nothing runs."""

    def sound(self, name: str) -> Path | None:  # noqa: ARG002 - as above
        return None
