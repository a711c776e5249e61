"""What an output may not do whatever a track asks of it: flash too fast, start hard, run too long.

They must never let more through than was asked, and never touch a pin.
"""

import kinds

WINDOW_MS = 1000
ONSETS_KEPT = 7  # more than any limit that the configuration may name
REVERSE_MS = 200
SOFT_MS = 300
RUN_MS_MAX = 10000
RELAY_OFF_MS = 500
SOLENOID_OFF_MS = 200
SOLENOID_ON_MS_MAX = 2000


class FlashLimit:
    """All lights of a board together: so many flashes begin in any half-open second, no more.

    A flash is a rise by a tenth of full after a fall by a tenth. One that is too soon is held just
    below that rise until it may come.
    """

    def __init__(self, hz_max):
        self._hz_max = hz_max
        self._onsets = []
        self._lamps = {}

    def step(self, ms, key, wanted, full):
        """The level that may be shown now."""
        lamp, tenth = self._lamp(key), max(1, full // 10)
        if not lamp[0] and wanted - min(lamp[1], wanted) >= tenth and not self._is_free(ms):
            wanted = lamp[1] + tenth - 1
        self._follow(ms, lamp, wanted, tenth)
        return wanted

    def note(self, ms, key, level, full):
        """A level that was not asked about, such as a path light's after a stop."""
        self._follow(ms, self._lamp(key), level, max(1, full // 10))

    def _lamp(self, key):
        """[whether a flash has begun, the lowest level before it or the highest since]."""
        if key not in self._lamps:
            self._lamps[key] = [False, 0]
        return self._lamps[key]

    def _is_free(self, ms):
        self._onsets = [onset for onset in self._onsets if ms - onset < WINDOW_MS]
        return len(self._onsets) < self._hz_max

    def _follow(self, ms, lamp, level, tenth):
        is_lit, extreme = lamp
        if not is_lit and level - extreme >= tenth:
            self._onsets = self._onsets[-ONSETS_KEPT:] + [ms]
            lamp[0], lamp[1] = True, level
        elif is_lit and extreme - level >= tenth:
            lamp[0], lamp[1] = False, level
        else:
            lamp[1] = max(extreme, level) if is_lit else min(extreme, level)


class Motor:
    """Soft start, a pause before it turns round, and an end to a run that nothing has ended."""

    def __init__(self, output):
        self._soft_ms = output.get("soft_ms", SOFT_MS)
        self._run_ms_max = output.get("run_ms_max", RUN_MS_MAX)
        self._level = 0
        self._last_ms = 0
        self._since_ms = None
        self._turned_ms = None
        self._is_cut = False

    def step(self, ms, wanted):
        passed_ms, self._last_ms = ms - self._last_ms, ms
        if wanted == 0:
            if self._level:
                self._turned_ms = ms
            self._level, self._since_ms, self._is_cut = 0, None, False
            return 0
        if self._since_ms is None:
            self._since_ms, passed_ms = ms, 0
        if ms - self._since_ms >= self._run_ms_max:
            self._is_cut = True
        self._level = 0 if self._is_cut else self._ramped(ms, passed_ms, wanted)
        return self._level

    def cut(self):
        """It stalls: nothing more until the behaviour is over."""
        self._is_cut = True

    def _ramped(self, ms, passed_ms, wanted):
        if self._level * wanted < 0:
            self._turned_ms = ms
            return 0
        if self._level == 0 and self._turned_ms is not None and ms - self._turned_ms < REVERSE_MS:
            return 0
        more = kinds.FULL * passed_ms // self._soft_ms if self._soft_ms else kinds.FULL
        size = min(abs(wanted), abs(self._level) + more)
        return size if wanted > 0 else -size


class Coil:
    """A least time off between two pulls, and for a solenoid a longest time on."""

    def __init__(self, output):
        is_relay = kinds.kind_of(output) == "relay"
        self._off_ms = output.get("min_off_ms", RELAY_OFF_MS if is_relay else SOLENOID_OFF_MS)
        self._on_ms_max = output.get("on_ms_max", 0 if is_relay else SOLENOID_ON_MS_MAX)
        self._is_on = False
        self._changed_ms = None
        self._is_cut = False

    def step(self, ms, wanted):
        if not wanted:
            self._is_cut = False
        elif self._is_on and self._on_ms_max and ms - self._changed_ms >= self._on_ms_max:
            self._is_cut = True
        is_on = bool(wanted) and not self._is_cut
        if is_on and not self._is_on and self._changed_ms is not None:
            is_on = ms - self._changed_ms >= self._off_ms
        if is_on != self._is_on:
            self._is_on, self._changed_ms = is_on, ms
        return 1 if is_on else 0

    def cut(self):
        self._is_cut = True


def guard_of(output):
    """None for what needs no more than the flash limit."""
    kind = kinds.kind_of(output)
    if kind == "motor":
        return Motor(output)
    return Coil(output) if kind in ("relay", "solenoid") else None
