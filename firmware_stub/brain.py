"""Decides what the board does: step(ms, event) gives actions, from its own steady clock alone.

It must never read a clock, draw a number or touch a pin or socket, and never fire at boot.
"""

import alone
import beats
import outbox
import pack
import payloads

FIRMWARE = "1.1"
CUES_MAX = 64
HEALTH_MS = 5000
HEALTH_LEAST_MS = 100  # a chattering sensor clears often; its board still has other work
FLOOR_READINGS = 3  # one dip is a motor starting


class Brain:
    """Events and actions are tuples named in their first place.

    Events: ("tick",) ("connecting",) ("connected",) ("lost",) ("leaving",) ("acked", token)
    ("message", topic, payload, retain) ("sensor", id, high) ("battery", mv) ("rssi", dbm)
    ("stalled", prop).
    Actions: ("connect", will_topic, will_payload) ("publish", topic, payload, qos, retain, token)
    ("output", prop, behaviour, on) and the cue's line where it has one, ("stop_state", prop). A token other than 0 comes back as
    ("acked", token) once the broker has the message. Outputs stand before messages.
    """

    def __init__(self, config, boot, reset, ms):
        self._config = config
        self._boot = boot
        self._reset = reset
        self._boot_ms = ms
        self._conn = 0
        self._is_connected = False
        self._beats = beats.Beats()
        self._is_still = True
        self._alone = alone.Alone(config)
        self._outbox = outbox.Outbox()
        self.epoch = 0
        self.stopped = False
        self._stopped_here = False
        self.settings = {}
        self._cues = []
        self._playing = {}
        self._seq = 0
        self._bad = 0
        self._battery_mv = None
        self._floor_mv = pack.floor_mv(config.battery)
        self._low_readings = 0
        self._rssi = None
        self._starts = dict((prop, 0) for prop in config.props)
        self._motions = dict((sensor, 0) for sensor in config.sensors)
        self._active = dict((sensor, 0) for sensor in config.sensors)
        self._actions = dict(
            (sensor, config.sensors[sensor].get("action", "fire")) for sensor in config.sensors
        )
        self._high_since = {}
        self._health_due_ms = ms
        self._health_last_ms = ms - HEALTH_MS
        self._outputs = []
        self._messages = []

    def step(self, ms, event):
        """Timers due at `ms` go before the event."""
        self._outputs, self._messages = [], []
        if self._playing:
            self._end_plays(ms)
        self._watch_beat(ms)
        self._take(ms, event)
        if self._is_connected:
            self._send_waiting(ms)
            self._send_health(ms)
        return self._outputs + self._messages

    def _take(self, ms, event):
        kind = event[0]
        if kind == "message":
            self._message(ms, event[1], event[2], event[3])
        elif kind == "sensor":
            self._sensor(ms, event[1], event[2])
        elif kind == "acked":
            self._outbox.acknowledged(event[1])
        elif kind == "battery":
            self._battery(ms, event[1])
        elif kind == "rssi":
            self._rssi = event[1]
        elif kind == "connecting":
            self._conn += 1
            self._messages.append(("connect", self._topic("presence"), self._gone()))
        elif kind == "connected":
            self._connected(ms)
        elif kind == "lost":
            self._is_connected = False
            self._beats.connection_lost()
            self._outbox.connection_lost()
        elif kind == "leaving":
            self._publish("presence", self._gone(), 1, True)
        elif kind == "stalled":
            self._stalled(ms, event[1])

    # ---- the connection

    def _connected(self, ms):
        self._is_connected = True
        self._health_due_ms = ms
        presence = {
            "state": "here",
            "boot": self._boot,
            "conn": self._conn,
            "fw": FIRMWARE,
            "up_ms": ms - self._boot_ms,
            "reset": self._reset,
        }
        self._publish("presence", payloads.encode("presence", presence), 1, True)

    def _gone(self):
        will = {"state": "gone", "boot": self._boot, "conn": self._conn}
        return payloads.encode("will", will)

    def _topic(self, leaf):
        return "%s/%s/%s" % (self._config.root, self._config.id, leaf)

    def _publish(self, leaf, payload, qos, retain=False, token=0):
        self._messages.append(("publish", self._topic(leaf), payload, qos, retain, token))

    def _send_waiting(self, ms):
        entry = self._outbox.take()
        while entry is not None:
            token, happened_ms, kind, fields = entry
            if kind == "motion":
                fields = self._dated(ms, happened_ms, fields)
            self._publish(kind, payloads.encode(kind, fields), 1, False, token)
            entry = self._outbox.take()

    def _dated(self, ms, happened_ms, fields):
        """The age is the wait on this board; the controller's time is known once it has beaten."""
        dated = dict(fields)
        dated["age_ms"] = ms - happened_ms
        steady_ms = self._beats.steady_ms(happened_ms)
        # Sensed before the controller's clock began: it has no name for that moment.
        if steady_ms is not None and steady_ms >= 0:
            dated["clock"] = self._beats.clock
            dated["at_ms"] = steady_ms
        return dated

    def _message(self, ms, topic, payload, retain):
        """An empty payload is a retained one being cleared: it says nothing."""
        if topic == self._topic("cue"):
            if payload:
                self._cue(ms, payload, retain)
        elif topic == self._topic("settings"):
            self._settings(payload, retain)
        elif topic == self._config.root + "/all/beat":
            if payload:
                self._beat(ms, payload)
        elif topic == self._config.root + "/all/stop":
            if payload:
                self._stop(ms, payload, retain)

    def _checked(self, kind, payload):
        fields = payloads.decode(kind, payload)
        if fields is None:
            self._bad += 1
        return fields

    def _settings(self, payload, retain):
        """Cleared settings are those of a board that nobody allowed anything."""
        settings = self._checked("settings", payload) if payload else {}
        if settings is not None:
            self.settings = settings
            self._alone.told(retain)

    # ---- beat, epoch and stop

    def _beat(self, ms, payload):
        beat = self._checked("beat", payload)
        if beat is None:
            return
        self._beats.heard(ms, beat["clock"], beat["now_ms"], beat["wall_ms"])
        if self._is_still:
            self._is_still = False
            self._end_alone(ms)
        self._raise_epoch(ms, beat["epoch"])

    def _watch_beat(self, ms):
        if not self._is_still and self._beats.is_silent(ms):
            self._is_still = True
            self._still(ms)

    def _raise_epoch(self, ms, epoch):
        if epoch > self.epoch:
            self.epoch = epoch
            self._want_health(ms)

    def _stop(self, ms, payload, retain):
        """A stop is always obeyed, however old; a release only if nothing newer is known."""
        stop = self._checked("stop", payload)
        if stop is None:
            return
        if stop["stopped"]:
            self._stopped_here = False
            self._stop_show(ms)
        elif self._may_release(stop["epoch"], retain):
            self._stopped_here = False
            if self.stopped:
                self.stopped = False
                self._want_health(ms)
        self._raise_epoch(ms, stop["epoch"])

    def _may_release(self, epoch, retain):
        """A stop made on this board is ended by a person's newer release, not by a kept message."""
        if self._stopped_here:
            return epoch > self.epoch and not retain
        return epoch >= self.epoch

    def _stop_show(self, ms):
        if not self.stopped:
            self.stopped = True
            self._want_health(ms)
            self._still(ms)

    def _stop_here(self, ms):
        """By this board's own button or battery, without the broker."""
        self._stopped_here = True
        self._stop_show(ms)

    def _still(self, ms):
        for prop in self._config.props:
            self._outputs.append(("stop_state", prop))
        for prop in self._playing:
            self._over(ms, prop, self._playing[prop], "aborted")
        self._playing = {}

    def _stalled(self, ms, prop):
        """Its motor is blocked: the prop comes to rest, and whoever sent the cue is told."""
        if prop in self._playing:
            self._outputs.append(("stop_state", prop))
            self._over(ms, prop, self._playing.pop(prop), "aborted", "stalled")

    def _over(self, ms, prop, play, state, why=None):
        self._alone.ended_ms[prop] = ms
        if play["cue"] is not None:
            self._report(ms, play["cue"], state, why)

    # ---- cues

    def _cue(self, ms, payload, retain):
        cue = self._checked("cue", payload)
        if cue is None:
            name = payloads.readable_cue(payload)
            if name is not None:
                self._report(ms, name, "refused", "retained" if retain else "bad")
            return
        why = self._refusal(ms, cue, retain)
        if why is None:
            self._start(ms, cue)
        else:
            self._report(ms, cue["cue"], "refused", why)

    def _refusal(self, ms, cue, retain):
        if retain:
            return "retained"
        if cue["cue"] in self._cues:
            return "repeat"
        if cue["epoch"] < self.epoch:
            return "old-epoch"
        if not self._beats.can_date_a_cue(ms):
            return "no-beat"
        if self._beats.steady_ms(ms) > cue["sent_ms"] + cue["ttl_ms"]:
            return "late"
        if self.stopped:
            return "stopped"
        behaviours = self._config.props.get(cue["prop"], {}).get("behaviours", {})
        if cue["behaviour"] not in behaviours:
            return "unknown"
        return "busy" if cue["prop"] in self._playing else None

    def _start(self, ms, cue):
        """Only a cue that plays is remembered: refusing a repeat tells that it did start."""
        self._cues = self._cues[-(CUES_MAX - 1) :] + [cue["cue"]]
        self._play(ms, cue["prop"], cue["behaviour"], cue["cue"], cue["max_ms"], cue.get("line"))
        self._report(ms, cue["cue"], "started")

    def _play(self, ms, prop, behaviour, cue, max_ms, line=None):
        duration_ms = self._config.props[prop]["behaviours"][behaviour]["duration_ms"]
        end_ms = ms + min(duration_ms, max_ms)
        self._playing[prop] = {"cue": cue, "behaviour": behaviour, "end_ms": end_ms}
        self._starts[prop] += 1
        action = ("output", prop, behaviour, True)
        self._outputs.append(action if line is None else action + (line,))

    def _end_plays(self, ms):
        for prop in list(self._playing):
            play = self._playing[prop]
            if play["end_ms"] <= ms:
                del self._playing[prop]
                self._outputs.append(("output", prop, play["behaviour"], False))
                self._over(ms, prop, play, "finished")

    def _report(self, ms, cue, state, why=None):
        report = {"cue": cue, "boot": self._boot, "state": state, "why": why}
        if why == "old-epoch":
            report["epoch"] = self.epoch
        self._outbox.put(ms, "report", report)

    # ---- alone: without a beat, where the settings allow it

    def _play_alone(self, ms, sensor):
        if self.stopped or not self._is_still or self._beats.clock is None:
            return
        wall_ms = self._beats.wall_ms(ms)
        for prop, behaviour in self._alone.choices(ms, sensor, self.settings, wall_ms):
            if prop not in self._playing:
                self._play(ms, prop, behaviour, None, alone.PLAY_MS_MAX)

    def _end_alone(self, ms):
        """The controller is back and knows nothing of them: its cues shall find the props free."""
        for prop in list(self._playing):
            play = self._playing[prop]
            if play["cue"] is None:
                del self._playing[prop]
                self._outputs.append(("output", prop, play["behaviour"], False))
                self._over(ms, prop, play, "aborted")

    # ---- sensors, battery and health

    def _sensor(self, ms, sensor, is_high):
        if sensor not in self._motions or is_high == (sensor in self._high_since):
            return
        if not is_high:
            self._active[sensor] += ms - self._high_since.pop(sensor)
            self._want_health(ms)
            return
        self._high_since[sensor] = ms
        self._motions[sensor] += 1
        self._seq += 1
        motion = {"sensor": sensor, "boot": self._boot, "seq": self._seq}
        self._outbox.put(ms, "motion", motion)
        action = self._actions[sensor]
        if action == "fire":
            if self._is_still:
                self._play_alone(ms, sensor)
        elif action == "stop":
            self._stop_here(ms)
        elif action != "count":  # somebody asks for calm
            self._alone.pressed()
            if self._is_still:
                self._still(ms)

    def _battery(self, ms, battery_mv):
        """Below its floor the pack is near harm: this board makes itself still until released."""
        self._battery_mv = battery_mv
        is_low = battery_mv < self._floor_mv
        self._low_readings = self._low_readings + 1 if is_low else 0
        if self._low_readings >= FLOOR_READINGS:
            self._stop_here(ms)

    def _want_health(self, ms):
        soonest_ms = max(ms, self._health_last_ms + HEALTH_LEAST_MS)
        self._health_due_ms = min(self._health_due_ms, soonest_ms)

    def _send_health(self, ms):
        if ms < self._health_due_ms:
            return
        self._health_last_ms = ms
        self._health_due_ms = ms + HEALTH_MS
        self._publish("health", payloads.encode("health", self._health(ms)), 0)

    def _health(self, ms):
        active = dict(self._active)
        for sensor in self._high_since:
            active[sensor] += ms - self._high_since[sensor]
        return {
            "boot": self._boot,
            "up_ms": ms - self._boot_ms,
            "battery_mv": self._battery_mv,
            "rssi": self._rssi,
            "starts": self._starts,
            "motions": self._motions,
            "active": active,
            "epoch": self.epoch,
            "stopped": self.stopped,
            "reset": self._reset,
            "bad": self._bad,
            "dropped": self._outbox.dropped,
        }
