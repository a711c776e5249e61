"""What pages of long work need: weighing, rehearsing, and changes that are put off."""

from collections.abc import Sequence
from enum import StrEnum
from typing import Final, NamedTuple, Protocol

from haunt.live.errors import CrewMistake
from haunt.study.advice import Advice
from haunt.study.overall import Overall


class WorkState(StrEnum):
    RUNNING = "running"
    BUSY = "busy"
    DONE = "done"
    FAILED = "failed"


class Work(NamedTuple):
    """Long work as it stands. `said` is why it failed or waits, `output` what came of it."""

    state: WorkState
    done: int = 0
    total: int = 0
    said: str = ""
    output: str = ""

    @property
    def percent(self) -> int:
        return 100 * self.done // self.total if self.total else 0


class Was(NamedTuple):
    """A cooldown that was set: when (UTC ms), by whom, and how long (ms)."""

    at_ms: int
    by: str
    cooldown_ms: int


class Value(NamedTuple):
    """One setting of the show: the table and name it stands under, its key, and its value."""

    table: str
    name: str | int | None
    key: str
    value: float | None


class Then(NamedTuple):
    """Settings of an earlier night or version: each value that differs, and what it is now."""

    day: str
    version: int
    changes: tuple[tuple[Value, float | None], ...]


class Change(NamedTuple):
    """Settings that somebody changed: when (UTC ms), what each was, and the version before it."""

    at_ms: int
    by: str
    before: int
    changes: tuple[tuple[Value, float | None], ...]


class When(StrEnum):
    """What a change waits for."""

    PHASE = "phase"
    NIGHT = "night"


class Turn(NamedTuple):
    """The next phase or night: when it begins (UTC ms), and what begins."""

    at_ms: int
    name: str


class Pending(NamedTuple):
    """A change that waits: settings by whom, asked when, made when, and what begins then.

    `key` names what it is about, a prop or the show. `fault` says why it could not be made; it
    stays until somebody cancels it.
    """

    key: str
    values: tuple[Value, ...]
    by: str
    at_ms: int
    due_ms: int
    phase: str
    fault: str = ""


class TuneBook(Protocol):
    """Runs recorded nights again, in a process of its own; asks return at once."""

    def weigh(self, prop: str, nights: int = 1) -> "Work | Advice":
        """Begin weighing a prop, or say how far it is, or give what came of it."""
        ...

    def weigh_show(self, nights: int = 1) -> "Work | Overall":
        """Weigh what holds for the whole show."""
        ...

    def history(self, prop: str) -> list[Was]:
        """Every value the cooldown had, newest first."""
        ...

    def earlier(self) -> list[Then]:
        """Return the settings of earlier nights, newest first."""
        ...

    def lately(self) -> list[Change]:
        """Return the last changes of settings, newest first."""
        ...

    def settings_of(self, version: int) -> Then | None:
        """Return what the settings of a kept version of the show would change."""
        ...


class NoTunes:
    """A site without a journal."""

    def weigh(self, prop: str, nights: int = 1) -> Work | Advice:  # noqa: ARG002 - the port's word
        return Work(
            WorkState.FAILED, said=f"no night has been recorded yet: nothing to weigh {prop} by"
        )

    def weigh_show(self, nights: int = 1) -> Work | Overall:  # noqa: ARG002 - the port's word
        return Work(WorkState.FAILED, said="no night has been recorded yet")

    def history(self, prop: str) -> list[Was]:  # noqa: ARG002 - the port's word
        return []

    def earlier(self) -> list[Then]:
        return []

    def lately(self) -> list[Change]:
        return []

    def settings_of(self, version: int) -> Then | None:  # noqa: ARG002 - the port's word
        return None


SHOW_KEY: Final = "show"


def prop_key(prop: str) -> str:
    """Name what waits for one prop; no prop's id has a space."""
    return f"prop {prop}"


class LaterBook(Protocol):
    """Changes that are made when a phase or a night begins; they outlive a restart."""

    def pending(self) -> list[Pending]: ...
    def next_turn(self, when: When) -> Turn | None:
        """Return the next of that kind; None: none is planned."""
        ...

    def add(self, key: str, values: Sequence[Value], by: str, when: When = When.PHASE) -> Pending:
        """Put a change off, in place of what waits for the same. Raises CrewMistake."""
        ...

    def cancel(self, key: str) -> bool:
        """Say whether there was one."""
        ...


class NoLater:
    """A site without a store."""

    def pending(self) -> list[Pending]:
        return []

    def next_turn(self, when: When) -> Turn | None:  # noqa: ARG002 - the port's word
        return None

    def add(
        self,
        key: str,
        values: Sequence[Value],  # noqa: ARG002 - as above
        by: str,  # noqa: ARG002 - as above
        when: When = When.PHASE,  # noqa: ARG002 - as above
    ) -> Pending:
        raise CrewMistake("this server keeps nothing for later", about=key)

    def cancel(self, key: str) -> bool:  # noqa: ARG002 - the port's word
        return False


class Rehearsals(Protocol):
    """Rehearses many nights, in a process of its own, one rehearsal at a time."""

    def begin(self, nights: int, profile: str, groups: int | None, *, faults: bool) -> Work: ...
    def state(self) -> Work | None:
        """Return the one that runs or ran last; its output is JSON."""
        ...

    def cancel(self) -> None: ...


class NoRehearsals:
    """A site that cannot start processes."""

    def begin(self, nights: int, profile: str, groups: int | None, *, faults: bool) -> Work:  # noqa: ARG002
        return Work(WorkState.FAILED, said="this server cannot rehearse")

    def state(self) -> Work | None:
        return None

    def cancel(self) -> None:
        """Nothing runs."""
