"""Keeps what the controller's beats say: its steady clock, and how long it has been silent.

It must never judge a cue by wall time, which either side may have wrong.
"""

BEATS_MAX = 60
SILENCE_MS = 6000


class Beats:
    """A beat can only come late, so the largest difference of the last 60 is nearest the truth."""

    def __init__(self):
        self.clock = None
        self._differences = []
        self._largest = None
        self._last_ms = None
        self._wall_ms = 0
        self._heard_on_this_connection = False

    def heard(self, ms, clock, now_ms, wall_ms=0):
        if clock != self.clock:
            self.clock = clock
            self._differences, self._largest = [], None
        self._keep(now_ms - ms)
        self._last_ms = ms
        self._wall_ms = wall_ms
        self._heard_on_this_connection = True

    def _keep(self, difference):
        differences = self._differences
        differences.append(difference)
        if self._largest is None or difference >= self._largest:
            self._largest = difference
        if len(differences) > BEATS_MAX and differences.pop(0) == self._largest:
            self._largest = max(differences)

    def connection_lost(self):
        self._heard_on_this_connection = False

    def steady_ms(self, ms):
        """The controller's steady clock at the board's `ms`; None before any beat."""
        return None if self._largest is None else ms + self._largest

    def wall_ms(self, ms):
        """UTC by the last beat; of use for hours of the night, never for a cue."""
        return self._wall_ms + ms - self._last_ms

    def is_silent(self, ms):
        return self._last_ms is None or ms - self._last_ms >= SILENCE_MS

    def can_date_a_cue(self, ms):
        return self._heard_on_this_connection and not self.is_silent(ms)
