"""The shapes of tracks: each step(ms) gives the level at that time since its track began.

They must never wait, and keep nothing but what their next step needs.
"""


class Steady:
    def __init__(self, track, chance):
        self._level = track["level"]

    def step(self, ms):
        return self._level


class Flicker:
    """A candle: a new level between two, now and then."""

    def __init__(self, track, chance):
        self._span = (track["low"], track["high"])
        self._every_ms = track.get("every_ms", [60, 200])
        self._chance = chance
        self._level = track["high"]
        self._next_ms = chance.between(self._every_ms)

    def step(self, ms):
        while ms >= self._next_ms:
            self._level = self._chance.between(self._span)
            self._next_ms += self._chance.between(self._every_ms)
        return self._level


class Blink:
    """On and off for times drawn anew each time, beginning with on."""

    def __init__(self, track, chance):
        self._on_level = track["level"]
        self._spans = (track["off_ms"], track["on_ms"])
        self._chance = chance
        self._is_on = True
        self._next_ms = chance.between(track["on_ms"])

    def step(self, ms):
        while ms >= self._next_ms:
            self._is_on = not self._is_on
            self._next_ms += self._chance.between(self._spans[self._is_on])
        return self._on_level if self._is_on else 0


class Pulse:
    """On and off in even time."""

    def __init__(self, track, chance):
        self._level = track.get("level", 1)
        self._on_ms = track["on_ms"]
        self._whole_ms = track["on_ms"] + track["off_ms"]

    def step(self, ms):
        return self._level if ms % self._whole_ms < self._on_ms else 0


class Sweep:
    """From left to right and back at an even pace; `sweep_ms` is one way."""

    def __init__(self, track, chance):
        self._left = track["left"]
        self._width = track["right"] - track["left"]
        self._sweep_ms = track["sweep_ms"]

    def step(self, ms):
        at_ms = ms % (2 * self._sweep_ms)
        if at_ms > self._sweep_ms:
            at_ms = 2 * self._sweep_ms - at_ms
        return self._left + self._width * at_ms // self._sweep_ms


class Play:
    """A sound file, begun once."""

    def __init__(self, track, chance):
        self._word = "file:" + track["file"]

    def step(self, ms):
        return self._word


class Speak:
    """The line that came with the cue, else the track's own."""

    def __init__(self, track, chance):
        self._word = "line:" + track["line"] if "line" in track else 0

    def say(self, line):
        self._word = "line:" + line

    def step(self, ms):
        return self._word


SHAPES = {
    "steady": Steady,
    "flicker": Flicker,
    "blink": Blink,
    "pulse": Pulse,
    "sweep": Sweep,
    "run": Steady,
    "play": Play,
    "speak": Speak,
}
