"""What each board last said of itself, and its counters beside the journal's."""

from dataclasses import dataclass

from haunt.core.night import Night
from haunt.live.presence import Presence
from haunt.wire.payloads import Health, Here

BOOTS_MAX = 8


@dataclass(slots=True)
class BoardNotes:
    fw: str = ""
    reset: str = ""
    heard_wall_ms: int | None = None
    boot: str = ""
    up_ms: int | None = None
    battery_mv: int | None = None
    charge_percent: int | None = None
    rssi: int | None = None
    epoch: int | None = None
    stopped: bool | None = None
    counted: int | None = None
    active: tuple[tuple[str, int], ...] = ()
    motions: tuple[tuple[str, int], ...] = ()
    starts: tuple[tuple[str, int], ...] = ()
    boots: int = 0
    bad: int | None = None
    dropped: int | None = None
    settings: int | None = None

    def booted(self, boot: str) -> None:
        """Its counters begin anew. `boots` are those seen in this run, save the first.

        `settings` is the version of the show that it was told; the board itself does not say.
        """
        self.boots += bool(self.boot)
        self.boot, self.counted, self.motions, self.starts = boot, None, (), ()


class Boards:
    def __init__(self) -> None:
        self.presence = Presence()
        self.notes: dict[str, BoardNotes] = {}
        self.journalled: dict[tuple[str, str], int] = {}

    def of(self, board: str) -> BoardNotes:
        notes = self.notes.get(board)
        if notes is None:
            notes = self.notes[board] = BoardNotes()
        return notes

    def hello(self, board: str, here: Here, wall_ms: int) -> None:
        notes = self.of(board)
        notes.fw, notes.reset = here.fw or "", here.reset
        notes.up_ms, notes.heard_wall_ms = here.up_ms, wall_ms
        if here.boot != notes.boot:
            notes.booted(here.boot)

    def note_health(self, board: str, health: Health, charge: int | None, wall_ms: int) -> bool:
        """True where the arbiter has something to learn from it."""
        notes = self.of(board)
        active = tuple(sorted(health.active.items()))
        news = health.boot != notes.boot or active != notes.active or charge is not None
        if health.boot != notes.boot:
            notes.booted(health.boot)
        notes.active = active
        notes.up_ms, notes.heard_wall_ms = health.up_ms, wall_ms
        notes.battery_mv, notes.charge_percent = health.battery_mv, charge
        notes.rssi, notes.epoch, notes.stopped = health.rssi, health.epoch, health.stopped
        notes.bad, notes.dropped = health.bad, health.dropped
        notes.counted = sum(health.motions.values())
        notes.motions = tuple(sorted(health.motions.items()))
        notes.starts = tuple(sorted(health.starts.items()))
        return news

    def count_motion(self, board: str, boot: str) -> None:
        key = (board, boot)
        count = self.journalled.get(key)
        if count is None:
            self._forget_boots(board)
        self.journalled[key] = (count or 0) + 1

    def _forget_boots(self, board: str) -> None:
        """Who starts again and again would fill our memory: nobody asks for its old counts."""
        known = [key for key in self.journalled if key[0] == board]
        for key in known[: max(0, len(known) - BOOTS_MAX + 1)]:
            del self.journalled[key]

    def props_of(self, night: Night, board: str) -> list[str]:
        found = night.boards.get(board)
        return [prop.spec.id for prop in found.props] if found is not None else []

    def deaf(self, night: Night) -> tuple[str, ...]:
        """Boards that are here and have not said that they are still."""
        return tuple(
            board
            for board, standing in self.presence.boards.items()
            if standing.here
            and board in night.boards
            and not (self.of(board).stopped is True and (self.of(board).epoch or 0) >= night.epoch)
        )
