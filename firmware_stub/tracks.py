"""Says which output takes which level when, while behaviours play.

It must never touch a pin; what it returns is (prop, output, level), to be written by the board.
"""

import config


class Tracks:
    """One behaviour at a time for each prop; levels that do not change are not returned again."""

    def __init__(self, props):
        self._props = props
        self._playing = {}

    def rest(self, prop):
        """All outputs of a prop as they are when nothing plays."""
        self._playing.pop(prop, None)
        outputs = self._props[prop].get("outputs", {})
        return [(prop, name, config.rest_level(outputs[name])) for name in outputs]

    def stop(self, prop):
        """The stop state: like rest, but an output that holds stays where it is."""
        outputs = self._props[prop].get("outputs", {})
        return [change for change in self.rest(prop) if outputs[change[1]]["stop"] != "hold"]

    def start(self, ms, prop, behaviour):
        steps = self._props[prop]["behaviours"][behaviour].get("steps", [])
        self._playing[prop] = (ms, list(steps))
        return self.due(ms)

    def due(self, ms):
        changes = []
        for prop in self._playing:
            started_ms, steps = self._playing[prop]
            while steps and started_ms + steps[0][0] <= ms:
                _, output, level = steps.pop(0)
                changes.append((prop, output, level))
        return changes
