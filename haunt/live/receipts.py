"""When a motion may be acknowledged: once its row is committed, or when waiting has become worse.

A receipt that waits longer than half a second is given, and the motion counted "not journalled":
a slow disk must not silence the sensors. Called by the owner and by the journal's thread; every
shared change is one dictionary operation.
"""

from collections import OrderedDict
from collections.abc import Callable

from haunt.core.decisions import MotionKey
from haunt.live.ports import Receipt, Record

WAIT_MS = 500


class Receipts:
    def __init__(self, acknowledge: Callable[[Receipt], None]) -> None:
        self._acknowledge = acknowledge
        self.wait_ms: Callable[[], int] = lambda: WAIT_MS
        """Longer where another server might take over, which would be sent the motion then."""
        # Ordered, because the oldest is asked for again and again: a plain dict would walk over
        # all that was taken out before it.
        self._due: OrderedDict[int, tuple[int, MotionKey, Receipt | None]] = OrderedDict()
        self._numbers: dict[MotionKey, int] = {}
        self._overdue: dict[int, None] = {}
        self._lost = 0

    @property
    def not_journalled(self) -> int:
        return self._lost + len(self._overdue)

    def expect(self, number: int, key: MotionKey, receipt: Receipt | None, mono_ms: int) -> None:
        """Remember before the record goes to the journal."""
        self._numbers[key] = number
        self._due[number] = (mono_ms, key, receipt)

    def again(self, key: MotionKey, receipt: Receipt) -> None:
        """Redelivered: acknowledge with its first record, or now where that is committed."""
        number = self._numbers.get(key)
        waiting = self._due.get(number) if number is not None else None
        if number is None or waiting is None:
            self._acknowledge(receipt)
            return
        self._due[number] = (waiting[0], key, receipt)
        if key not in self._numbers:  # the journal settled it meanwhile
            self._give(number)
        if waiting[2] is not None:  # the broker has both, and keeps the newer
            self._acknowledge(waiting[2])

    def committed(self, records: list[Record]) -> None:
        for record in records:
            self._give(record.number)
            self._overdue.pop(record.number, None)

    def lost(self, records: list[Record]) -> None:
        for record in records:
            if record.has_motion:
                self._lost += 1
            self._give(record.number)
            self._overdue.pop(record.number, None)

    def refused(self, number: int) -> None:
        """The journal would not even queue it."""
        self._lost += 1
        self._give(number)

    def expire(self, mono_ms: int) -> None:
        """Give what has waited too long."""
        while (oldest := self._oldest()) is not None and mono_ms - oldest[1] >= self.wait_ms():
            self._overdue[oldest[0]] = None  # first: who commits it now takes it out again
            if not self._give(oldest[0]):
                self._overdue.pop(oldest[0], None)

    def next_due_ms(self) -> int | None:
        oldest = self._oldest()
        return oldest[1] + self.wait_ms() if oldest is not None else None

    def _oldest(self) -> tuple[int, int] | None:
        """Return (number, since) of what has waited longest."""
        while True:
            try:
                number, (since, _key, _receipt) = next(iter(self._due.items()))
            except StopIteration:
                return None
            except RuntimeError:  # the journal's thread took one out meanwhile
                continue
            return number, since

    def _give(self, number: int) -> bool:
        waiting = self._due.get(number)
        if waiting is None:
            return False
        self._numbers.pop(waiting[1], None)  # first: who adds a receipt now looks here again
        waiting = self._due.pop(number, None)
        if waiting is None:
            return False
        if waiting[2] is not None:
            self._acknowledge(waiting[2])
        return True
