"""Reads the board's own configuration: who it is, what hangs on its pins, what each cue plays.

It must refuse a wrong file whole, with every fault named, and touch no pin.
"""

import json

import payloads

# So that a health payload with every counter at its longest still fits into 2048 bytes.
SENSORS_MAX = 12
PROPS_MAX = 8
OUTPUTS_MAX = 16
BEHAVIOURS_MAX = 16
STEPS_MAX = 64
TEXT_CHARS_MAX = 256

STOP_STATES = ("off", "hold", "home", "on")
ACTIONS = ("fire", "gentle", "hold", "stop", "count")
PINS = ("machine", "script")


class ConfigError(Exception):
    """The file is wrong; `faults` says each place and what is allowed there."""

    def __init__(self, faults):
        super().__init__("; ".join(faults))
        self.faults = faults


class Config:
    """What the file says, checked; `props` and `sensors` keep the file's own shape."""

    def __init__(self, raw):
        self.id = raw["id"] if "id" in raw else raw["username"]
        self.username = raw.get("username", self.id if "password" in raw else None)
        self.host = raw["host"]
        self.port = raw.get("port", 1883)
        self.password = raw.get("password")
        self.root = raw["root"].rstrip("/")
        self.pins = raw.get("pins", "machine")
        self.control_port = raw.get("control_port")
        self.pin_log = raw.get("pin_log")
        self.spread_ms = raw.get("spread_ms", 5000)
        self.watchdog_ms = raw.get("watchdog_ms", 0)
        self.wifi = raw.get("wifi")
        self.battery = raw.get("battery", {})
        self.sensors = raw.get("sensors", {})
        self.props = raw.get("props", {})


def load(path):
    """Raises OSError where there is no file and ConfigError where it is wrong."""
    with open(path) as file:
        text = file.read()
    return parse(text)


def parse(text):
    try:
        raw = json.loads(text)
    except ValueError:
        raise ConfigError(["the file is not JSON"])
    if not isinstance(raw, dict):
        raise ConfigError(["the file is not a JSON object"])
    faults = _faults(raw)
    if faults:
        raise ConfigError(faults)
    return Config(raw)


def rest_level(output):
    """The level of an output when nothing plays: at boot, after a behaviour, after a stop."""
    if output["stop"] == "home":
        return output["home"]
    return 1 if output["stop"] == "on" else 0


def _is_board_id(value):
    return payloads.is_id(value) and value not in ("all", "controller")


def _is_text(value):
    return isinstance(value, str) and 1 <= len(value) <= TEXT_CHARS_MAX


def _faults(raw):
    faults = []
    _check(faults, raw, "id", _is_board_id, raw.get("username"),
           "[a-z0-9-]{1,32}, but not all or controller")
    _check(faults, raw, "host", _is_text, None, "a host name or address")
    _check(faults, raw, "root", _is_text, None, "haunt/<show>")
    _check(faults, raw, "port", _is_port, 1883, "1 to 65535")
    _check(faults, raw, "control_port", _is_port, 1, "1 to 65535")
    _check(faults, raw, "pins", lambda value: value in PINS, "machine", "machine or script")
    _check(faults, raw, "spread_ms", _is_spread, 5000, "0 to 60000")
    _check(faults, raw, "watchdog_ms", _is_spread, 0, "0 to 60000")
    for name in ("username", "password", "pin_log"):
        _check(faults, raw, name, _is_text, "-", "text")
    for name in ("battery", "sensors", "props", "wifi"):
        _check(faults, raw, name, lambda value: isinstance(value, dict), {}, "an object")
    if not faults:
        _battery_faults(faults, raw.get("battery", {}))
        if raw.get("wifi"):
            for name in ("ssid", "password"):
                _check(faults, raw["wifi"], name, _is_text, None, "text", "wifi.")
        _sensor_faults(faults, raw.get("sensors", {}))
        _prop_faults(faults, raw.get("props", {}))
    return faults


def _check(faults, raw, name, check, default, allowed, where=""):
    if not check(raw.get(name, default)):
        faults.append("%s%s: allowed is %s" % (where, name, allowed))


def _is_port(value):
    return payloads.is_integer(value, 1, 65535)


def _is_spread(value):
    return payloads.is_integer(value, 0, 60000)


def _is_level(value):
    return payloads.is_integer(value, 0, 1)


def _is_pin(value):
    return payloads.is_integer(value, 0, 255)


def _battery_faults(faults, battery):
    _check(faults, battery, "pin", _is_pin, 0, "0 to 255", "battery.")
    _check(faults, battery, "floor_mv", payloads.is_integer, 0, "0 or more", "battery.")
    _check(faults, battery, "full_scale_mv", payloads.is_integer, 1, "1 or more", "battery.")


def _sensor_faults(faults, sensors):
    if len(sensors) > SENSORS_MAX:
        faults.append("sensors: at most %d" % SENSORS_MAX)
    for sensor in sensors:
        where = "sensors.%s." % sensor
        if not payloads.is_id(sensor) or not isinstance(sensors[sensor], dict):
            faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % where)
            continue
        _check(faults, sensors[sensor], "pin", _is_pin, 0, "0 to 255", where)
        _check(faults, sensors[sensor], "active", _is_level, 1, "0 or 1", where)
        _check(faults, sensors[sensor], "action", lambda value: value in ACTIONS, "fire",
               ", ".join(ACTIONS), where)


def _prop_faults(faults, props):
    if len(props) > PROPS_MAX:
        faults.append("props: at most %d" % PROPS_MAX)
    for prop in props:
        where = "props.%s." % prop
        parts = props[prop]
        if not payloads.is_id(prop) or not isinstance(parts, dict):
            faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % where)
            continue
        outputs, behaviours = parts.get("outputs", {}), parts.get("behaviours", {})
        if not isinstance(outputs, dict) or len(outputs) > OUTPUTS_MAX:
            faults.append("%soutputs: at most %d, by name" % (where, OUTPUTS_MAX))
        elif not isinstance(behaviours, dict) or len(behaviours) > BEHAVIOURS_MAX:
            faults.append("%sbehaviours: at most %d, by name" % (where, BEHAVIOURS_MAX))
        else:
            _output_faults(faults, outputs, where)
            _behaviour_faults(faults, behaviours, outputs, where)


def _output_faults(faults, outputs, where):
    for name in outputs:
        output = outputs[name]
        if not payloads.is_id(name) or not isinstance(output, dict):
            faults.append("%soutputs.%s: allowed is an object, id [a-z0-9-]" % (where, name))
            continue
        place = "%soutputs.%s." % (where, name)
        _check(faults, output, "pin", _is_pin, 0, "0 to 255", place)
        # Required: an output whose stop nobody thought about is not driven at all.
        _check(faults, output, "stop", lambda value: value in STOP_STATES, None,
               ", ".join(STOP_STATES), place)
        if output.get("stop") == "home":
            _check(faults, output, "home", _is_level, None, "0 or 1", place)


def _behaviour_faults(faults, behaviours, outputs, where):
    for name in behaviours:
        behaviour = behaviours[name]
        place = "%sbehaviours.%s." % (where, name)
        if not payloads.is_id(name) or not isinstance(behaviour, dict):
            faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % place)
            continue
        if not payloads.is_integer(behaviour.get("duration_ms"), 1, 600000):
            faults.append("%sduration_ms: allowed is 1 to 600000" % place)
        if not _are_steps(behaviour.get("steps", []), outputs):
            faults.append("%ssteps: allowed are [ms, output, 0 or 1], ms rising" % place)


def _are_steps(steps, outputs):
    if not isinstance(steps, list) or len(steps) > STEPS_MAX:
        return False
    last_ms = 0
    for step in steps:
        if not isinstance(step, list) or len(step) != 3:
            return False
        at_ms, output, level = step
        if not payloads.is_id(output) or output not in outputs:
            return False
        if not payloads.is_integer(at_ms, last_ms) or not _is_level(level):
            return False
        last_ms = at_ms
    return True
