"""Keeps what the controller's beats say: its steady clock, and how long it has been silent.

It must never judge by wall time, which either side may have wrong.
"""

BEATS_MAX = 60
SILENCE_MS = 6000


class Beats:
    """A beat can only come late, so the largest difference of the last 60 is nearest the truth."""

    def __init__(self):
        self.clock = None
        self._differences = []
        self._last_ms = None
        self._heard_on_this_connection = False

    def heard(self, ms, clock, now_ms):
        if clock != self.clock:
            self.clock = clock
            self._differences = []
        self._differences = self._differences[-(BEATS_MAX - 1) :] + [now_ms - ms]
        self._last_ms = ms
        self._heard_on_this_connection = True

    def connection_lost(self):
        self._heard_on_this_connection = False

    def steady_ms(self, ms):
        """The controller's steady clock at the board's `ms`; None before any beat."""
        return ms + max(self._differences) if self._differences else None

    def is_silent(self, ms):
        return self._last_ms is None or ms - self._last_ms >= SILENCE_MS

    def can_date_a_cue(self, ms):
        return self._heard_on_this_connection and not self.is_silent(ms)
