"""Says which output takes which level when, while behaviours play: voice, light, motion at once.

It must never touch a pin; what it returns is (prop, output, level), to be written by the board.
"""

import chance
import kinds
import limits
import shapes


class Tracks:
    """One behaviour at a time for each prop; due(ms) returns only what changes.

    Levels are 0 or 1 for what is switched, 0 to 1000 for lights and servos, -1000 to 1000 for
    motors, "file:…" or "line:…" or 0 for a voice, and None for a servo without pulses.
    """

    def __init__(self, props, flash_hz_max=3, seed=1):
        self._props = props
        self._chance = chance.Chance(seed)
        self._flash = limits.FlashLimit(flash_hz_max)
        self._guards = {}
        self._levels = {}
        self._wanted = {}
        self._playing = {}
        self._restless = []
        for prop in props:
            outputs = props[prop].get("outputs", {})
            for name in outputs:
                self._guards[(prop, name)] = limits.guard_of(outputs[name])
        # Not every interpreter keeps the order of a dictionary, and the first lamp has the flash.
        self._order = sorted(self._guards)

    def boot(self, ms, prop):
        """The first levels of all. A servo gets no pulse: it would jump, and nobody knows where."""
        outputs = self._props[prop].get("outputs", {})
        changes = []
        for name in sorted(outputs):
            level = kinds.rest_level(outputs[name])
            if kinds.kind_of(outputs[name]) == "servo":
                level = None
            changes.append(self._put(ms, (prop, name), level))
        return changes

    def rest(self, ms, prop):
        """All outputs of a prop as they are when nothing plays."""
        self._playing.pop(prop, None)
        changes = []
        for name in sorted(self._props[prop].get("outputs", {})):
            changes += self._to_rest(ms, (prop, name))
        return changes

    def stop(self, ms, prop):
        """The stop state: like rest, but an output that holds stays where it is."""
        self._playing.pop(prop, None)
        outputs = self._props[prop].get("outputs", {})
        changes = []
        for name in sorted(outputs):
            if outputs[name]["stop"] != "hold":
                changes += self._to_rest(ms, (prop, name))
            elif (prop, name) in self._levels:
                self._wanted[(prop, name)] = self._levels[(prop, name)]
        return changes

    def start(self, ms, prop, behaviour, line=None):
        parts = self._props[prop]["behaviours"][behaviour]
        ends_ms, running = parts["duration_ms"], []
        for track in sorted(parts.get("tracks", []), key=_begins):
            own = chance.Chance(self._chance.below(1 << 24))
            shape = shapes.SHAPES[track["do"]](track, own)
            if line is not None and track["do"] == "speak":
                shape.say(line)
            key = (prop, track["output"])
            running.append([key, track.get("from_ms", 0), track.get("to_ms", ends_ms), shape])
        self._playing[prop] = (ms, list(parts.get("steps", [])), running)
        return self.due(ms)

    def stalled(self, prop, output):
        """A motor draws what it draws when it is blocked: it stays off until its next start."""
        guard = self._guards.get((prop, output))
        if guard is not None:
            guard.cut()

    def is_quiet(self):
        return not self._playing and not self._restless

    def due(self, ms):
        if not self._playing and not self._restless:
            return []
        for prop in self._playing:
            self._want(ms, prop)
        changes = []
        for key in self._order:
            if key not in self._wanted:
                continue
            level = self._let(ms, key)
            if level != self._levels.get(key):
                self._levels[key] = level
                changes.append((key[0], key[1], level))
        return changes

    def _want(self, ms, prop):
        started_ms, steps, running = self._playing[prop]
        while steps and started_ms + steps[0][0] <= ms:
            _, output, level = steps.pop(0)
            self._wanted[(prop, output)] = level
        for track in list(running):
            key, from_ms, to_ms, shape = track
            at_ms = ms - started_ms
            if at_ms >= to_ms:
                running.remove(track)
                self._wanted[key] = kinds.rest_level(self._output(key))
            elif at_ms >= from_ms:
                self._wanted[key] = shape.step(at_ms - from_ms)

    def _let(self, ms, key):
        """What is wanted, as far as it may be; what has to be looked at again is remembered."""
        output, wanted, guard = self._output(key), self._wanted[key], self._guards[key]
        level = wanted
        if wanted is None:
            level = wanted = self._levels.get(key)
        elif guard is not None:
            level = guard.step(ms, wanted)
        if kinds.is_light(output):
            level = self._flash.step(ms, key, level, kinds.full_of(output))
        settled = level == wanted and (guard is None or not level)
        if settled and key[0] not in self._playing:
            self._forget(key)
        elif key not in self._restless:
            self._restless.append(key)
        return level

    def _to_rest(self, ms, key):
        output = self._output(key)
        level = kinds.rest_level(output)
        if kinds.kind_of(output) == "servo" and (level is None or self._levels.get(key) is None):
            self._forget(key)
            return []
        return [self._put(ms, key, level)]

    def _put(self, ms, key, level):
        """At once, whatever the flash limit says: a path light after a stop is wanted now."""
        guard = self._guards[key]
        if guard is not None:
            self._wanted[key] = level
            level = guard.step(ms, level)
            is_settled = level == self._wanted[key] and not level
            if not is_settled and key not in self._restless:
                self._restless.append(key)
        else:
            self._forget(key)
        if kinds.is_light(self._output(key)):
            self._flash.note(ms, key, level, kinds.full_of(self._output(key)))
        self._levels[key] = level
        return (key[0], key[1], level)

    def _forget(self, key):
        self._wanted.pop(key, None)
        if key in self._restless:
            self._restless.remove(key)

    def _output(self, key):
        return self._props[key[0]]["outputs"][key[1]]


def _begins(track):
    """One output's later track comes after its earlier one; two that begin at once differ in it."""
    return (track.get("from_ms", 0), track["output"])
