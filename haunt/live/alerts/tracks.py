"""What each board and sensor has given away of itself lately: evidence only, nothing is judged."""

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from haunt.live.alerts.packs import Limits
from haunt.wire.payloads import Health

BOOTS_KNOWN_MAX: Final = 8
FRESH_BOOT_MS: Final = 60_000
CHATTER_COUNT, CHATTER_WITHIN_MS = 45, 60_000
"""45 reports in a minute would be 2,700 people an hour in single file through one beam."""
HIGH_SHARE: Final = 0.95
"""A sensor that was high for less of the time between two health messages had a pause."""
JUMP_SHARE: Final = 3
"""A third of the reading: a cold pack under a stalling motor sags by a fifth (common practice, no
source), and comes back as far."""


@dataclass(slots=True, eq=False)
class SensorTrack:
    """`high_ms` is for how long it has been high without a pause, as far as is known."""

    id: str
    board: str
    times_ms: deque[int] = field(default_factory=lambda: deque(maxlen=CHATTER_COUNT))
    high_ms: int = 0
    _active_ms: int = 0

    def fired(self, mono_ms: int) -> bool:
        """True where it reports so fast that somebody should look."""
        times = self.times_ms
        times.append(mono_ms)
        return len(times) == CHATTER_COUNT and mono_ms - times[0] <= CHATTER_WITHIN_MS

    def health(self, active_ms: int, passed_ms: int | None) -> bool:
        """True where it is, or was, high without a pause.

        `active_ms` counts up since boot; `passed_ms` is None for the first word of a boot.
        """
        was_ms, more_ms = self.high_ms, active_ms - self._active_ms
        self._active_ms = active_ms
        if passed_ms is None or more_ms < passed_ms * HIGH_SHARE:
            self.high_ms = 0
        else:
            self.high_ms += passed_ms
        return was_ms > 0 or self.high_ms > 0


@dataclass(slots=True, eq=False)
class PackTrack:
    limits: Limits | None = None
    mv: int | None = None
    was_mv: int = 0
    odd: str = ""
    odd_streak: int = 0
    jumps_ms: deque[int] = field(default_factory=lambda: deque(maxlen=2))

    def read(self, mv: int, limits: Limits, mono_ms: int) -> None:
        if not limits.low_mv <= mv <= limits.high_mv:
            self.odd = "low" if mv < limits.low_mv else "high"
            self.odd_streak += 1
        else:
            self.odd_streak = 0
            if self.mv is not None and abs(mv - self.mv) * JUMP_SHARE > self.mv:
                self.jumps_ms.append(mono_ms)
                self.was_mv = self.mv
        self.mv = mv


@dataclass(slots=True, eq=False)
class CountTrack:
    """A board's own count of its motions beside ours, compared each time its health comes.

    A board sends a motion before the health that counts it, so a difference that lasts is a loss.
    """

    since_ms: int | None = None
    looks: int = 0
    counted: int = 0
    journalled: int = 0

    @property
    def is_short(self) -> bool:
        return self.counted > self.journalled

    def compare(self, counted: int, journalled: int, mono_ms: int) -> None:
        was_short = self.is_short
        self.counted, self.journalled = counted, journalled
        if counted == journalled:
            self.since_ms = None
        elif self.since_ms is None or was_short is not self.is_short:
            self.since_ms, self.looks = mono_ms, 1
        else:
            self.looks += 1


@dataclass(slots=True, eq=False)
class BoardTrack:
    """`gone_ms` is None while it is here."""

    id: str
    gone_ms: int | None = None
    boots: deque[tuple[int, str]] = field(default_factory=lambda: deque(maxlen=BOOTS_KNOWN_MAX))
    returns_ms: deque[int] = field(default_factory=lambda: deque(maxlen=3))
    pack: PackTrack = field(default_factory=PackTrack)
    counts: CountTrack = field(default_factory=CountTrack)
    nonsense: int = 0
    nonsense_ms: int = 0
    nonsense_why: str = ""
    odd_clock: int = 0
    odd_clock_ms: int = 0
    boot: str = ""
    up_ms: int | None = None
    _known: deque[str] = field(default_factory=lambda: deque(maxlen=BOOTS_KNOWN_MAX))

    @property
    def is_odd(self) -> bool:
        return (
            self.pack.odd_streak > 0 or bool(self.pack.jumps_ms) or self.counts.since_ms is not None
        )

    def voice(self, boot: str, up_ms: int, reset: str, mono_ms: int) -> bool:
        """A hello or its health: which boot speaks now. True where it is another than before."""
        if boot == self.boot:
            return False
        if boot in self._known:
            self.returns_ms.append(mono_ms)
        else:
            if self.boot or up_ms < FRESH_BOOT_MS:
                self.boots.append((mono_ms, reset))
            self._known.append(boot)
        self.boot, self.up_ms = boot, None
        self.pack.mv = self.counts.since_ms = None
        return True

    def passed(self, health: Health) -> int | None:
        """Return how long ago, by its own clock, its last health was."""
        before, self.up_ms = self.up_ms, health.up_ms
        return None if before is None else max(0, health.up_ms - before)

    def spoke_nonsense(self, why: str, mono_ms: int) -> None:
        self.nonsense += 1
        self.nonsense_ms, self.nonsense_why = mono_ms, why

    def dated_oddly(self, mono_ms: int) -> None:
        self.odd_clock += 1
        self.odd_clock_ms = mono_ms
