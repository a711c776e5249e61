"""Which boards are here: by the newest (boot, conn), by silence, and by anything they say.

Presence is never inferred from a will that belongs to an earlier connection.
"""

from dataclasses import dataclass

SILENCE_MS = 16_000


@dataclass(slots=True)
class Standing:
    """What the controller has heard of one board."""

    here: bool = False
    boot: str = ""
    conn: int = 0
    heard_ms: int | None = None


class Presence:
    def __init__(self) -> None:
        self.boards: dict[str, Standing] = {}
        self.late_wills = 0

    def here(self, board: str, boot: str, conn: int, mono_ms: int) -> bool:
        """Note a hello. False where a newer connection of the same boot is known already."""
        standing = self._of(board)
        if boot == standing.boot and conn < standing.conn:
            return False
        standing.boot, standing.conn = boot, conn
        standing.here, standing.heard_ms = True, mono_ms
        return True

    def recall(self, board: str, boot: str, mono_ms: int) -> None:
        """After a restart: it was here; whether it still is, its next word or its silence says."""
        self.boards[board] = Standing(here=True, boot=boot, heard_ms=mono_ms)

    def gone(self, board: str, boot: str, conn: int) -> bool:
        """Note a will. True when it makes a board that was here go."""
        standing = self._of(board)
        # After a restart the connection's number is not known yet.
        if boot != standing.boot or conn < standing.conn:
            self.late_wills += 1
            return False
        was, standing.here = standing.here, False
        return was

    def heard(self, board: str, boot: str, mono_ms: int) -> bool:
        """Note any message of this boot. True when the board comes back by it."""
        standing = self._of(board)
        if standing.boot and boot != standing.boot:
            return False  # queued before a reboot: says nothing of now
        standing.boot = boot
        standing.heard_ms = mono_ms
        came_back, standing.here = not standing.here, True
        return came_back

    def silent(self, mono_ms: int) -> list[str]:
        """Take out and name the boards that have said nothing for 16 s."""
        found = [
            board
            for board, standing in self.boards.items()
            if standing.here
            and standing.heard_ms is not None
            and mono_ms - standing.heard_ms >= SILENCE_MS
        ]
        for board in found:
            self.boards[board].here = False
        return found

    def _of(self, board: str) -> Standing:
        return self.boards.setdefault(board, Standing())
