"""Keeps motions and reports until the broker has acknowledged them, oldest first.

It must never grow: when it is full the oldest is dropped and counted.
"""

WAITING_MAX = 64
UNDERWAY_MAX = 8


class Outbox:
    """Entries are handed out again after a lost connection, with the same numbers as before."""

    def __init__(self):
        self.dropped = 0
        self._waiting = []
        self._underway = []
        self._last_token = 0

    def put(self, ms, kind, fields):
        if len(self._waiting) + len(self._underway) >= WAITING_MAX:
            self.dropped += 1
            (self._underway or self._waiting).pop(0)
        self._last_token += 1
        self._waiting.append((self._last_token, ms, kind, fields))

    def take(self):
        """The next entry as (token, ms, kind, fields); None while enough are underway."""
        if not self._waiting or len(self._underway) >= UNDERWAY_MAX:
            return None
        entry = self._waiting.pop(0)
        self._underway.append(entry)
        return entry

    def acknowledged(self, token):
        self._underway = [entry for entry in self._underway if entry[0] != token]

    def connection_lost(self):
        self._waiting = self._underway + self._waiting
        self._underway = []
