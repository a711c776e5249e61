"""Every motion from the sensor to the journal: none vanishes, none is journalled or decided twice.

It watches from outside: what boards counted and said, what the broker took, lost and was confirmed,
what the store kept. It holds only what is still on its way.
"""

import json
from collections import Counter, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from haunt.core.decisions import MotionKey
from haunt.core.events import Motion, key_of
from haunt.live.ports import Record
from haunt.live.receipts import WAIT_MS

LOST_KEPT: Final = 512
OVER_KEPT: Final = 64

ON_BOARD = "died with the board before it was sent"
ON_AIR = "died with the board before the broker had it"
IN_BROKER = "lost by the broker"
IN_STORE = "given up by the failing store"
TOO_EARLY = "confirmed after half a second, then the controller was killed"


class Board(NamedTuple):
    """What a board itself says of one boot, at its end or now."""

    id: str
    boot: str
    motions: int
    dropped: int


@dataclass(slots=True)
class Tale:
    """The motions of one boot of one board: `under_way` are sent and not journalled."""

    sent: int = 0
    high: int = 0
    kept: int = 0
    under_way: dict[int, bool] = field(default_factory=dict)


class Ledger:
    """`losses` says how many motions were lost, and to what; `troubles` what nothing explains."""

    def __init__(self, linked: Mapping[str, tuple[str, ...]]) -> None:
        """`linked` are the props of each sensor."""
        self.losses: Counter[str] = Counter()
        self.troubles: list[str] = []
        self.late = 0
        self._linked = linked
        self._tales: dict[tuple[str, str], Tale] = {}
        self._over: deque[tuple[str, str]] = deque()
        self._by_payload: dict[bytes, MotionKey] = {}
        self._payloads: dict[MotionKey, list[bytes]] = {}
        self._came: dict[MotionKey, tuple[int, int]] = {}
        self._confirmed: dict[MotionKey, None] = {}
        self._lost: dict[MotionKey, str] = {}
        self._owed: dict[MotionKey, set[str | None]] = {}
        self._perhaps: dict[tuple[MotionKey, str | None], None] = {}

    # --- the board and the broker

    def said(self, board: str, payload: bytes) -> None:
        """A board handed a motion to its link, for the first time or again."""
        try:
            said = json.loads(payload)
            key = MotionKey(board, said["boot"], said["seq"])
        except (ValueError, KeyError, TypeError):
            return  # nonsense counts nowhere
        tale = self._tale(board, key.boot)
        if key.seq > tale.high:
            tale.high = key.seq
            tale.sent += 1
            tale.under_way[key.seq] = False
        if key.seq in tale.under_way:
            self._by_payload[payload] = key
            self._payloads.setdefault(key, []).append(payload)

    def reached(self, payload: bytes) -> None:
        """The broker has it."""
        key = self._by_payload.get(payload)
        if key is not None:
            under_way = self._tale(key.board, key.boot).under_way
            if key.seq in under_way:
                under_way[key.seq] = True

    def lost_by_broker(self, payload: bytes) -> None:
        key = self._by_payload.get(payload)
        if key is not None:
            self._lose(key, IN_BROKER)

    def ended(self, board: Board) -> None:
        """A boot of a board is over: what it had not got out is gone."""
        tale = self._tale(board.id, board.boot)
        silent = board.motions - tale.sent
        if silent:
            self.losses[ON_BOARD] += silent
        for seq in [seq for seq, reached in tale.under_way.items() if not reached]:
            self._lose(MotionKey(board.id, board.boot, seq), ON_AIR)
        self._over.append((board.id, board.boot))
        for _ in range(len(self._over) - OVER_KEPT):
            if self._tales[self._over[0]].under_way:
                break
            del self._tales[self._over.popleft()]

    # --- the controller

    def came(self, payload: bytes, mono_ms: int) -> None:
        """The controller read a copy of it."""
        key = self._by_payload.get(payload)
        if key is not None:
            first_ms, copies = self._came.get(key, (mono_ms, 0))
            self._came[key] = (first_ms, copies + 1)

    def confirmed(self, payload: bytes, mono_ms: int) -> None:
        """The controller told the broker that it is done with: kept, given up, or old.

        Of two copies one may go at any time: the broker still has the other.
        """
        key = self._by_payload.get(payload)
        if key is None:  # not of our boards, or kept already
            return
        first_ms, copies = self._came.get(key, (mono_ms, 1))
        self._came[key] = (first_ms, copies - 1)
        if mono_ms - first_ms >= WAIT_MS:
            self.late += 1
            self._confirmed[key] = None
        elif copies <= 1:
            self.troubles.append(f"{_named(key)} confirmed before it was kept")

    def relinked(self) -> None:
        """A new connection: whatever is not confirmed comes again."""
        self._came = {key: (first_ms, 0) for key, (first_ms, _copies) in self._came.items()}

    def killed(self) -> None:
        """What was confirmed and not kept does not come again."""
        for key in [*self._confirmed]:
            self._lose(key, TOO_EARLY)
        self._came.clear()

    # --- the store

    def kept(self, record: Record) -> None:
        event = record.event
        at_once: MotionKey | None = None
        if type(event) is Motion:
            at_once = key_of(event)
            self._keep(at_once)
            props = self._linked.get(event.sensor) or (None,)
            self._owed[at_once] = set(props)
        for decision in record.decisions:
            if decision.motion is not None:
                self._decide(decision.motion, decision.prop)

    def given_up(self, records: Iterable[Record]) -> None:
        """What was decided in them may be decided again after a restart, or never."""
        for record in records:
            if type(record.event) is Motion:
                self._lose(key_of(record.event), IN_STORE)
            for decision in record.decisions:
                if decision.motion is not None:
                    self._forget(decision.motion, decision.prop)
                    self._perhaps[decision.motion, decision.prop] = None
        _bound(self._perhaps)

    def _keep(self, key: MotionKey) -> None:
        tale = self._tale(key.board, key.boot)
        if self._settle(key):
            tale.kept += 1
            return
        to = self._lost.pop(key, None)
        if to is None:
            self.troubles.append(f"{_named(key)} journalled twice, or never sent")
        else:  # one copy was lost, another came
            tale.kept += 1
            self.losses[to] -= 1

    def _decide(self, key: MotionKey, prop: str | None) -> None:
        if self._forget(key, prop):
            return
        if (key, prop) in self._perhaps:
            del self._perhaps[key, prop]
        elif key not in self._lost:
            self.troubles.append(f"{_named(key)} decided twice for {prop}, or for nobody")

    def _forget(self, key: MotionKey, prop: str | None) -> bool:
        props = self._owed.get(key)
        if props is None or prop not in props:
            return False
        props.discard(prop)
        if not props:
            del self._owed[key]
        return True

    def _settle(self, key: MotionKey) -> bool:
        """It is on its way no more. False where it was not."""
        self._confirmed.pop(key, None)
        self._came.pop(key, None)
        for payload in self._payloads.pop(key, ()):
            self._by_payload.pop(payload, None)
        return self._tale(key.board, key.boot).under_way.pop(key.seq, None) is not None

    def _lose(self, key: MotionKey, to: str) -> None:
        if not self._settle(key):
            return
        self.losses[to] += 1
        self._lost[key] = to
        _bound(self._lost)

    def _tale(self, board: str, boot: str) -> Tale:
        found = self._tales.get((board, boot))
        if found is None:
            found = self._tales[board, boot] = Tale()
        return found

    # --- at the end

    def open(self) -> list[str]:
        """Motions that are on their way; after all has come to rest there is none."""
        return [
            f"{board}-{boot}-{seq}"
            for (board, boot), tale in self._tales.items()
            for seq in tale.under_way
        ]

    def owed(self) -> set[tuple[MotionKey, str | None]]:
        """Return what is journalled and not decided yet."""
        return {(key, prop) for key, props in self._owed.items() for prop in props}

    def sent_of(self, board: str, boot: str) -> int:
        return self._tale(board, boot).sent

    def kept_of(self, board: str, boot: str) -> int:
        return self._tale(board, boot).kept


def _named(key: MotionKey) -> str:
    return f"motion {key.board}-{key.boot}-{key.seq}"


def _bound(found: dict[Any, Any]) -> None:
    while len(found) > LOST_KEPT:
        del found[next(iter(found))]
