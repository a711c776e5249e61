"""Says what a board may play by itself while it hears no controller: little, and only if sure.

It must never allow what moves, blows, heats, smokes or strobes, nor what the controller barred.
"""

import kinds

PLAY_MS_MAX = 30000
DAY_MIN = 1440


class Alone:
    """The controller bars a prop by leaving it out of the settings, all by their mode `still`.

    `ended_ms` is kept by the brain: when each prop's last play of any kind was over.
    """

    def __init__(self, config):
        self._config = config
        self.ended_ms = {}
        self._is_barred = False

    def pressed(self):
        """Somebody here asked for calm; what the controller last said was before that."""
        self._is_barred = True

    def told(self, is_retained):
        """Settings came. A kept message may be older than a button that was pressed meanwhile."""
        if not is_retained:
            self._is_barred = False

    def choices(self, ms, sensor, settings, wall_ms):
        """(prop, behaviour) for each prop that this sensor may set off now."""
        if self._is_barred or settings.get("mode") != "alone":
            return []
        if not is_within(settings.get("hours", ()), wall_ms):
            return []
        allowed, found = settings.get("props", {}), []
        for prop in self._config.sensors[sensor].get("props", ()):
            if prop in allowed and self._may(ms, prop, allowed[prop]):
                found.append((prop, allowed[prop]["behaviour"]))
        return found

    def _may(self, ms, prop, setting):
        ended_ms = self.ended_ms.get(prop)
        if ended_ms is not None and ms - ended_ms < setting["cooldown_ms"]:
            return False
        parts = self._config.props.get(prop, {})
        behaviour = parts.get("behaviours", {}).get(setting["behaviour"])
        if behaviour is None:
            return False
        outputs = parts.get("outputs", {})
        return all(
            kinds.load_of(outputs[name]) in kinds.GENTLE_LOADS
            for name in kinds.outputs_of(behaviour)
        )


def is_within(hours, wall_ms):
    """Whether UTC is within one of the spans of clock readings; equal ends are the whole day."""
    now = wall_ms // 60000 % DAY_MIN
    for begins, ends in hours:
        first, last = _minute(begins), _minute(ends)
        if first < last:
            if first <= now < last:
                return True
        elif now >= first or now < last:
            return True
    return False


def _minute(reading):
    return int(reading[:2]) * 60 + int(reading[3:])
