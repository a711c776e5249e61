"""What a stranger beside the boards would hold the controller to: cues, epochs, stops, ends.

It reads the wire and the outputs alone. Its findings are sentences, each a broken promise.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from haunt.study.boards import SimBoard
from haunt.study.ledger import Board, Ledger

CUES_KEPT: Final = 256
READ_KEPT: Final = 32
LATE_MS: Final = 1
"""An output goes off at the first instant after its longest time at which its board can look."""


@dataclass(slots=True)
class Ears:
    """What one board has heard so far, and what plays on it: prop to its latest end."""

    epoch: int = 0
    stopped: bool = False
    playing: dict[str, int] = field(default_factory=dict)
    cues: dict[str, None] = field(default_factory=dict)


class Witness:
    """Satisfies `boards.Observer`; `now_ms` is the world's clock."""

    def __init__(self, now_ms: Callable[[], int], ledger: Ledger) -> None:
        self.troubles: list[str] = []
        self.cues = self.played = self.again = 0
        self._now_ms, self._ledger = now_ms, ledger
        self._ears: dict[SimBoard, Ears] = {}
        self._stopped, self._epoch, self._life = False, 0, 0
        self._sent: dict[str, int] = {}
        self._read: dict[bytes, dict[str, Any]] = {}

    # --- what the controller says

    def began(self) -> None:
        """The controller starts: another life may send a cue of the one before again."""
        self._life += 1

    def published(self, topic: str, payload: bytes) -> None:
        if topic.endswith("/cue"):
            cue = self._read[payload] = json.loads(payload)
            self._cue(cue)
            if len(self._read) > READ_KEPT:
                del self._read[next(iter(self._read))]
        elif topic.endswith("/all/stop"):
            said = json.loads(payload)
            if said["epoch"] < self._epoch:
                self._wrong(f"epoch {said['epoch']} told after {self._epoch}")
            self._stopped, self._epoch = said["stopped"], said["epoch"]

    def _cue(self, cue: dict[str, object]) -> None:
        name, epoch = str(cue["cue"]), cue["epoch"]
        self.cues += 1
        if self._stopped:
            self._wrong(f"cue {name} sent while stopped")
        if epoch != self._epoch:
            self._wrong(f"cue {name} of epoch {epoch} sent in {self._epoch}")
        life = self._sent.get(name)
        if life == self._life:
            self._wrong(f"cue {name} sent twice")
        elif life is not None:
            self.again += 1
        self._sent[name] = self._life
        while len(self._sent) > CUES_KEPT:
            del self._sent[next(iter(self._sent))]

    # --- what boards do

    def said(self, board: SimBoard, topic: str, payload: bytes) -> None:
        if topic.endswith("/motion"):
            self._ledger.said(board.id, payload)

    def heard(self, board: SimBoard, topic: str, payload: bytes) -> None:
        if topic.endswith("/all/stop") and payload:
            said, ears = json.loads(payload), self._of(board)
            if said["stopped"]:
                ears.stopped = True
            elif said["epoch"] >= ears.epoch:
                ears.stopped = False
            ears.epoch = max(ears.epoch, said["epoch"])

    def went_on(self, board: SimBoard, prop: str, behaviour: str, payload: bytes) -> None:
        ears, now = self._of(board), self._now_ms()
        self.played += 1
        if not payload:
            self._wrong(f"{prop} began {behaviour} without a cue")
            return
        cue = self._read.pop(payload, None) or json.loads(payload)
        if ears.stopped:
            self._wrong(f"{prop} began while stopped: {cue['cue']}")
        if cue["epoch"] < ears.epoch:
            self._wrong(f"{prop} played {cue['cue']} of epoch {cue['epoch']} in {ears.epoch}")
        if cue["cue"] in ears.cues:
            self._wrong(f"{prop} played {cue['cue']} twice")
        if (cue["prop"], cue["behaviour"]) != (prop, behaviour):
            self._wrong(f"{prop} played {behaviour}, told {cue['prop']} {cue['behaviour']}")
        if prop in ears.playing:
            self._wrong(f"{prop} began while it played")
        ears.cues[cue["cue"]] = None
        if len(ears.cues) > CUES_KEPT:
            del ears.cues[next(iter(ears.cues))]
        ears.playing[prop] = now + cue["max_ms"]

    def went_off(self, board: SimBoard, prop: str) -> None:
        latest_ms = self._of(board).playing.pop(prop, None)
        if latest_ms is not None and self._now_ms() > latest_ms + LATE_MS:
            self._wrong(f"{prop} played {self._now_ms() - latest_ms} ms beyond its longest time")

    def died(self, board: SimBoard) -> None:
        """Its outputs are off with its power; a new boot has heard nothing yet."""
        self._ears.pop(board, None)
        self._ledger.ended(tally_of(board))

    def still_on(self) -> list[str]:
        """Return what plays beyond its longest time now."""
        now = self._now_ms()
        return [
            prop
            for ears in self._ears.values()
            for prop, latest_ms in ears.playing.items()
            if now > latest_ms + LATE_MS
        ]

    def _of(self, board: SimBoard) -> Ears:
        found = self._ears.get(board)
        if found is None:
            found = self._ears[board] = Ears()
        return found

    def _wrong(self, what: str) -> None:
        self.troubles.append(f"{what} (at {self._now_ms()})")


def tally_of(board: SimBoard) -> Board:
    tally = board.brain.tally()
    return Board(board.id, board.boot, tally.motions, tally.dropped)
