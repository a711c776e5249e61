"""What is wrong with a show file: each fault with its place, and the refusal that carries them."""

from collections.abc import Sequence
from dataclasses import dataclass

from haunt.wire.errors import WireError


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing to mend. `line` counts from 1; 0 where the show did not come as text."""

    file: str
    line: int
    key: str
    what: str
    allowed: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.key} {self.what}; allowed: {self.allowed}"


class ShowFileRefused(WireError):  # noqa: N818  (says whose fault it is)
    """Their fault: nothing of the file is taken. All faults, in the order of the file."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    @property
    def said(self) -> str:
        """All faults in one line."""
        return "; ".join(map(str, self.faults))


class NoSuchTable(WireError):  # noqa: N818  (same)
    """Their fault: something is to be changed that the show file does not have."""

    def __init__(self, table: str, name: str | int | None) -> None:
        super().__init__(f"the show file has no {table} {name}" if name else f"no table {table}")
        self.table = table
        self.name = name
