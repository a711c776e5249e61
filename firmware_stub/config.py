"""Reads the board's own file, config.json: who it is, what hangs on its pins, what each cue plays.

It must refuse a wrong file whole, with every fault named, and touch no pin. Times are in ms, every
number is whole, keys that are not listed are ignored.

host, port, root, username, password: as the server prints them. id: else the username.
wifi {ssid, password}. spread_ms: after power-on it connects after a random time of up to this.
watchdog_ms: 0 for none (8000 on real pins). flash_hz_max: flashes of all lights here in a second,
1 to 4 (3). sleep: none, modem (radio saves power, cues come later) or light (also sleeps while no
router answers; not with a stop button). pins: machine, or script for a board without pins, with
control_port and pin_log.

battery {pin, divider [ohm to the pack, ohm to ground] or full_scale_mv (of the pack, at the pin's
full scale), adc_mv (3300), calibration [[read mv, meter mv], …] one or two, cells, cell_floor_mv,
floor_mv}: three readings in a row below the floor, also under load, and the board stops itself.

sensors {id: {pin, active 0 or 1, pull up or down, action fire gentle hold stop or count,
props [ids that it may set off while the board is alone]}}

props {id: {outputs {name: …}, behaviours {id: …}}}. Each output: stop (required): off, hold, home
or on; home: its level there; load: light sound motor air heat fog strobe or other. By kind:
  pin                  pin, active (0: on is low)
  relay, solenoid      the same, min_off_ms (500, 200), on_ms_max (0 none, 2000)
  dimmer               pin, active, freq_hz (1000)
  pixels               pin, count, colour [r, g, b]; a dark frame is sent first of all
  servo                pin, left_us (1000), right_us (2000); no pulse before its first behaviour
  motor                pins [forward, back], freq_hz, soft_ms (300), run_ms_max (10000),
                       sense_pin, stall_mv, stall_ms (500): the bridge's current as a voltage
  sound                i2s {id, sck, ws, sd} for wav files; hook: a module of your own with
                       play(file), say(line), stop() and perhaps poll(ms), for speech and the rest

A behaviour: duration_ms; steps [[ms, output, level], …]; tracks [{output, do, from_ms, to_ms, …}].
Levels: 0 or 1; 0 to 1000 for dimmer, pixels and servo; -1000 to 1000 for a motor. By do:
  steady level · run level · flicker low high every_ms [least, most] · blink level on_ms [..]
  off_ms [..] · pulse on_ms off_ms · sweep left right sweep_ms · play file · speak line
"""

import json
import sys

import parts
import payloads

PINS = ("machine", "script")
SLEEPS = ("none", "modem", "light")
WATCHDOG_MS = 8000  # the least of the longest that ports allow is 8388


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
        self.watchdog_ms = raw.get("watchdog_ms", WATCHDOG_MS if self.pins == "machine" else 0)
        self.flash_hz_max = raw.get("flash_hz_max", 3)
        self.sleep = raw.get("sleep", "none")
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


def forget_checks():
    """A board reads its file once; the checks are a seventh of what it then holds."""
    global parts
    parts = None
    sys.modules.pop("parts", None)


def _faults(raw):
    faults, check = [], parts.check
    check(faults, raw, "id", _is_board_id, raw.get("username"),
          "[a-z0-9-]{1,32}, but not all or controller")
    check(faults, raw, "host", parts.is_text, None, "a host name or address")
    check(faults, raw, "root", parts.is_text, None, "haunt/<show>")
    check(faults, raw, "port", _is_port, 1883, "1 to 65535")
    check(faults, raw, "control_port", _is_port, 1, "1 to 65535")
    check(faults, raw, "pins", lambda value: value in PINS, "machine", "machine or script")
    check(faults, raw, "spread_ms", _is_spread, 5000, "0 to 60000")
    check(faults, raw, "watchdog_ms", _is_spread, 0, "0 to 60000")
    check(faults, raw, "flash_hz_max", lambda value: payloads.is_integer(value, 1, 4), 3, "1 to 4")
    check(faults, raw, "sleep", lambda value: value in SLEEPS, "none", ", ".join(SLEEPS))
    for name in ("username", "password", "pin_log"):
        check(faults, raw, name, parts.is_text, "-", "text")
    for name in ("battery", "sensors", "props", "wifi"):
        check(faults, raw, name, lambda value: isinstance(value, dict), {}, "an object")
    if not faults:
        _battery_faults(faults, raw.get("battery", {}))
        if raw.get("wifi"):
            for name in ("ssid", "password"):
                check(faults, raw["wifi"], name, parts.is_text, None, "text", "wifi.")
        parts.sensor_faults(faults, raw.get("sensors", {}), raw.get("props", {}))
        parts.prop_faults(faults, raw.get("props", {}))
    if not faults:
        _whole_faults(faults, raw)
    return faults


def _is_board_id(value):
    return payloads.is_id(value) and value not in ("all", "controller")


def _is_port(value):
    return payloads.is_integer(value, 1, 65535)


def _is_spread(value):
    return payloads.is_integer(value, 0, 60000)


def _are_pairs(value, count_max):
    return isinstance(value, list) and len(value) <= count_max and all(
        isinstance(pair, list) and len(pair) == 2
        and all(payloads.is_integer(each, 1, 1000000) for each in pair)
        for pair in value
    )


def _is_divider(value):
    return _are_pairs([value], 1)


def _is_calibration(value):
    return _are_pairs(value, 2) and (len(value) < 2 or value[0][0] != value[1][0])


def _battery_faults(faults, battery):
    check, where = parts.check, "battery."
    check(faults, battery, "pin", parts.is_pin, 0, "0 to 255", where)
    check(faults, battery, "floor_mv", payloads.is_integer, 0, "0 or more", where)
    for name in ("full_scale_mv", "adc_mv", "cells", "cell_floor_mv"):
        check(faults, battery, name, _is_from_one, 1, "1 or more", where)
    check(faults, battery, "divider", _is_divider, [1, 1], "[ohm to pack, ohm to ground]", where)
    check(faults, battery, "calibration", _is_calibration, [],
          "one or two different [read mv, meter mv]", where)


def _is_from_one(value):
    return payloads.is_integer(value, 1)


def _whole_faults(faults, raw):
    """What no part shows by itself: pins that are missing or shared, and a stop that may sleep."""
    sensors, props = raw.get("sensors", {}), raw.get("props", {})
    if raw.get("pins", "machine") == "machine":
        _pin_faults(faults, sensors, props, raw.get("battery", {}))
    if raw.get("sleep") == "light":
        for name in sensors:
            if sensors[name].get("action") == "stop":
                faults.append("sleep: allowed with the stop button %s is none or modem" % name)


def _pin_faults(faults, sensors, props, battery):
    uses = [("sensors.%s" % name, [sensors[name].get("pin")]) for name in sensors]
    for prop in props:
        outputs = props[prop].get("outputs", {})
        for name in outputs:
            uses.append(("props.%s.outputs.%s" % (prop, name), parts.pins_of(outputs[name])))
    if "pin" in battery:
        uses.append(("battery", [battery["pin"]]))
        if "divider" not in battery and "full_scale_mv" not in battery:
            faults.append("battery.divider: allowed with a pin is a divider or full_scale_mv")
    taken = {}
    for place, pins in uses:
        for pin in pins:
            if pin is None:
                faults.append("%s.pin: allowed is 0 to 255; none is told" % place)
            elif pin in taken:
                faults.append("%s.pin: %d is taken by %s" % (place, pin, taken[pin]))
            else:
                taken[pin] = place
