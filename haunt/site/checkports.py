"""What the pages of set-up and tech check need of the store."""

from typing import Protocol

from haunt.store.checks import Check, Range, Tried


class CheckBook(Protocol):
    """Ticks, range notes, and what the journal tells of a night's opening.

    Both writers raise StoreRefused.
    """

    def of(self, day: str) -> dict[str, Check]:
        """Return each line of a day (YYYY-MM-DD) as it stands."""
        ...

    def note(self, check: Check) -> None: ...
    def ranges(self) -> dict[str, Range]: ...
    def note_range(self, found: Range) -> None: ...
    def seen_since(self, since_ms: int) -> dict[str, int]:
        """Return when each sensor reported last, of those that did."""
        ...

    def stop_tried(self, since_ms: int) -> Tried | None:
        """Return the newest stop that was released again."""
        ...


class NoChecks:
    """A site without a store: what is noted lasts as long as it runs."""

    def __init__(self) -> None:
        self._checks: dict[str, dict[str, Check]] = {}
        self._ranges: dict[str, Range] = {}

    def of(self, day: str) -> dict[str, Check]:
        return dict(self._checks.get(day, {}))

    def note(self, check: Check) -> None:
        self._checks.setdefault(check.day, {})[check.line] = check

    def ranges(self) -> dict[str, Range]:
        return dict(self._ranges)

    def note_range(self, found: Range) -> None:
        self._ranges[found.sensor] = found

    def seen_since(self, since_ms: int) -> dict[str, int]:  # noqa: ARG002 - the port's word
        return {}

    def stop_tried(self, since_ms: int) -> Tried | None:  # noqa: ARG002 - the port's word
        return None
