"""Checks what hangs on a board: sensors, outputs, behaviours and their tracks.

It must name every fault with its place and what is allowed there, and touch no pin.
"""

import kinds
import payloads

# So that a health payload with every counter at its longest still fits into 2048 bytes.
SENSORS_MAX = 12
PROPS_MAX = 8
OUTPUTS_MAX = 16
BEHAVIOURS_MAX = 16
STEPS_MAX = 64
TRACKS_MAX = 16
TEXT_CHARS_MAX = 256
DURATION_MS_MAX = 600000
PIXELS_MAX = 300

STOP_STATES = ("off", "hold", "home", "on")
ACTIONS = ("fire", "gentle", "hold", "stop", "count")
# Where a stop state would leave something moving, or has no meaning.
_STOPS = {
    "motor": ("off",),
    "sound": ("off",),
    "servo": ("hold", "home"),
    "solenoid": ("off", "hold"),
}
_DO = {
    "steady": kinds.SWITCHED + kinds.DIMMED + ("servo",),
    "flicker": kinds.DIMMED,
    "blink": kinds.SWITCHED + kinds.DIMMED,
    "pulse": kinds.SWITCHED,
    "sweep": ("servo",),
    "run": ("motor",),
    "play": ("sound",),
    "speak": ("sound",),
}


def check(faults, raw, name, is_fit, default, allowed, where=""):
    if not is_fit(raw.get(name, default)):
        faults.append("%s%s: allowed is %s" % (where, name, allowed))


def is_text(value):
    return isinstance(value, str) and 1 <= len(value) <= TEXT_CHARS_MAX


def is_pin(value):
    return payloads.is_integer(value, 0, 255)


def _is_level(value):
    return payloads.is_integer(value, 0, 1)


def _is_span(value):
    """[least, most] in ms."""
    return _are_integers(value, 2, 10, 60000) and value[0] <= value[1]


def _are_integers(value, count, low, high):
    return isinstance(value, list) and len(value) == count and all(
        payloads.is_integer(each, low, high) for each in value
    )


def _is_ms(value):
    return payloads.is_integer(value, 0, DURATION_MS_MAX)


def _is_file(value):
    return is_text(value) and ".." not in value


def sensor_faults(faults, sensors, props):
    if len(sensors) > SENSORS_MAX:
        faults.append("sensors: at most %d" % SENSORS_MAX)
    for name in sensors:
        where, sensor = "sensors.%s." % name, sensors[name]
        if not payloads.is_id(name) or not isinstance(sensor, dict):
            faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % where)
            continue
        check(faults, sensor, "pin", is_pin, 0, "0 to 255", where)
        check(faults, sensor, "active", _is_level, 1, "0 or 1", where)
        check(faults, sensor, "pull", lambda value: value in (None, "up", "down"), None,
              "up or down", where)
        check(faults, sensor, "action", lambda value: value in ACTIONS, "fire",
              ", ".join(ACTIONS), where)
        check(faults, sensor, "props",
              lambda value: isinstance(value, list) and all(
                  isinstance(each, str) and each in props for each in value),
              [], "ids of props of this board", where)


def prop_faults(faults, props):
    if len(props) > PROPS_MAX:
        faults.append("props: at most %d" % PROPS_MAX)
    for name in props:
        where, parts = "props.%s." % name, props[name]
        if not payloads.is_id(name) or not isinstance(parts, dict):
            faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % where)
            continue
        outputs, behaviours = parts.get("outputs", {}), parts.get("behaviours", {})
        if not isinstance(outputs, dict) or len(outputs) > OUTPUTS_MAX:
            faults.append("%soutputs: at most %d, by name" % (where, OUTPUTS_MAX))
        elif not isinstance(behaviours, dict) or len(behaviours) > BEHAVIOURS_MAX:
            faults.append("%sbehaviours: at most %d, by name" % (where, BEHAVIOURS_MAX))
        else:
            before = len(faults)
            for each in outputs:
                _output_faults(faults, each, outputs[each], where)
            if len(faults) == before:  # levels can be judged only by sound outputs
                for each in behaviours:
                    _behaviour_faults(faults, each, behaviours[each], outputs, where)


def pins_of(output):
    """All pins that an output needs, None for each that is not told."""
    kind = kinds.kind_of(output)
    if kind == "motor":
        pins = output.get("pins", [None, None])
        return pins + ([output["sense_pin"]] if "sense_pin" in output else [])
    if kind == "sound":
        i2s = output.get("i2s", {})
        if "hook" in output and not i2s:
            return []
        return [i2s.get(name) for name in ("sck", "ws", "sd")]
    return [output.get("pin")]


def _output_faults(faults, name, output, where):
    if not payloads.is_id(name) or not isinstance(output, dict):
        faults.append("%soutputs.%s: allowed is an object, id [a-z0-9-]" % (where, name))
        return
    place = "%soutputs.%s." % (where, name)
    if kinds.kind_of(output) not in kinds.KINDS:
        faults.append("%skind: allowed is %s" % (place, ", ".join(kinds.KINDS)))
        return
    allowed = _STOPS.get(kinds.kind_of(output), STOP_STATES)
    # Required: an output whose stop nobody thought about is not driven at all.
    check(faults, output, "stop", lambda value: value in allowed, None, ", ".join(allowed), place)
    full = kinds.full_of(output)
    if output.get("stop") == "home":
        check(faults, output, "home", lambda value: payloads.is_integer(value, 0, full), None,
              "0 to %d" % full, place)
    _KIND_FAULTS.get(kinds.kind_of(output), _switch_faults)(faults, output, place)


def _switch_faults(faults, output, place):
    check(faults, output, "pin", is_pin, 0, "0 to 255", place)
    check(faults, output, "active", _is_level, 1, "0 or 1", place)
    check(faults, output, "load", lambda value: value in kinds.LOADS, "other",
          ", ".join(kinds.LOADS), place)
    check(faults, output, "min_off_ms", _is_ms, 0, "0 to %d" % DURATION_MS_MAX, place)
    check(faults, output, "on_ms_max", _is_ms, 0, "0 (no limit) to %d" % DURATION_MS_MAX, place)


def _light_faults(faults, output, place):
    _switch_faults(faults, output, place)
    check(faults, output, "freq_hz", lambda value: payloads.is_integer(value, 50, 40000), 1000,
          "50 to 40000", place)
    check(faults, output, "count", lambda value: payloads.is_integer(value, 1, PIXELS_MAX), 1,
          "1 to %d" % PIXELS_MAX, place)
    check(faults, output, "colour", lambda value: _are_integers(value, 3, 0, 255), [255, 255, 255],
          "[red, green, blue], each 0 to 255", place)


def _servo_faults(faults, output, place):
    check(faults, output, "pin", is_pin, 0, "0 to 255", place)
    for name, default in (("left_us", 1000), ("right_us", 2000)):
        check(faults, output, name, lambda value: payloads.is_integer(value, 400, 2600), default,
              "400 to 2600", place)


def _motor_faults(faults, output, place):
    check(faults, output, "pins", lambda value: _are_integers(value, 2, 0, 255), [0, 0],
          "two pins, forward and back", place)
    check(faults, output, "soft_ms", lambda value: payloads.is_integer(value, 0, 5000), 0,
          "0 to 5000", place)
    check(faults, output, "run_ms_max", lambda value: payloads.is_integer(value, 1, 60000), 1,
          "1 to 60000", place)
    check(faults, output, "freq_hz", lambda value: payloads.is_integer(value, 50, 40000), 1000,
          "50 to 40000", place)
    if "sense_pin" in output:
        check(faults, output, "sense_pin", is_pin, None, "0 to 255", place)
        check(faults, output, "stall_mv", lambda value: payloads.is_integer(value, 1, 5000), None,
              "1 to 5000", place)
        check(faults, output, "stall_ms", lambda value: payloads.is_integer(value, 10, 5000), 500,
              "10 to 5000", place)


def _sound_faults(faults, output, place):
    if "i2s" not in output and "hook" not in output:
        faults.append("%si2s: allowed are the pins sck, ws and sd, or a hook instead" % place)
        return
    check(faults, output, "hook", is_text, "-", "the name of a module on the board", place)
    i2s = output.get("i2s", {})
    if not isinstance(i2s, dict):
        faults.append("%si2s: allowed are the pins sck, ws and sd" % place)
        return
    if i2s:
        for name in ("sck", "ws", "sd"):
            check(faults, i2s, name, is_pin, None, "0 to 255", place + "i2s.")


_KIND_FAULTS = {
    "dimmer": _light_faults,
    "pixels": _light_faults,
    "servo": _servo_faults,
    "motor": _motor_faults,
    "sound": _sound_faults,
}


def _behaviour_faults(faults, name, behaviour, outputs, where):
    place = "%sbehaviours.%s." % (where, name)
    if not payloads.is_id(name) or not isinstance(behaviour, dict):
        faults.append("%s: allowed is an object named [a-z0-9-]{1,32}" % place)
        return
    duration_ms = behaviour.get("duration_ms")
    if not payloads.is_integer(duration_ms, 1, DURATION_MS_MAX):
        faults.append("%sduration_ms: allowed is 1 to %d" % (place, DURATION_MS_MAX))
        return
    before = len(faults)
    if not _are_steps(behaviour.get("steps", []), outputs):
        faults.append(
            "%ssteps: allowed are [ms, output, level], ms rising, at most %d; levels are 0 or 1, "
            "0 to 1000 for lights and servos, -1000 to 1000 for motors" % (place, STEPS_MAX)
        )
    tracks = behaviour.get("tracks", [])
    if not isinstance(tracks, list) or len(tracks) > TRACKS_MAX:
        faults.append("%stracks: at most %d, in a list" % (place, TRACKS_MAX))
        return
    for number in range(len(tracks)):
        _track_faults(faults, tracks[number], outputs, duration_ms, "%stracks[%d]." % (place, number))
    if len(faults) == before:
        _clashes(faults, behaviour, duration_ms, place)


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
        if not payloads.is_integer(at_ms, last_ms) or not _is_level_of(outputs[output], level):
            return False
        last_ms = at_ms
    return True


def _is_level_of(output, level):
    if kinds.kind_of(output) == "sound":
        return False
    return payloads.is_integer(level, kinds.lowest_of(output), kinds.full_of(output))


def _track_faults(faults, track, outputs, duration_ms, place):
    if not isinstance(track, dict) or not isinstance(track.get("output"), str):
        faults.append("%soutput: allowed is the name of an output of this prop" % place)
        return
    if track["output"] not in outputs:
        faults.append("%soutput: allowed is one of %s" % (place, ", ".join(sorted(outputs))))
        return
    output = outputs[track["output"]]
    kind = kinds.kind_of(output)
    able = [do for do in sorted(_DO) if kind in _DO[do]]
    if track.get("do") not in able:
        faults.append("%sdo: allowed for a %s is %s" % (place, kind, ", ".join(able)))
        return
    from_ms, to_ms = track.get("from_ms", 0), track.get("to_ms", duration_ms)
    if not (_is_ms(from_ms) and _is_ms(to_ms) and from_ms < to_ms <= duration_ms):
        faults.append("%sto_ms: allowed is more than from_ms, at most %d" % (place, duration_ms))
        return
    _shape_faults(faults, track, output, to_ms - from_ms, place)


def _shape_faults(faults, track, output, lasts_ms, place):
    do, full, before = track["do"], kinds.full_of(output), len(faults)
    levels = "%d to %d" % (kinds.lowest_of(output), full)
    spans = {"flicker": ("every_ms",), "blink": ("on_ms", "off_ms")}.get(do, ())
    named = {"steady": ("level",), "blink": ("level",), "run": ("level",),
             "flicker": ("low", "high"), "sweep": ("left", "right")}.get(do, ())
    for name in named:
        check(faults, track, name, lambda value: _is_level_of(output, value), None, levels, place)
    for name in spans:
        default = [60, 200] if name == "every_ms" else None
        check(faults, track, name, _is_span, default, "[least, most], each 10 to 60000", place)
    if do == "pulse":
        for name in ("on_ms", "off_ms"):
            check(faults, track, name, lambda value: payloads.is_integer(value, 10, 60000), None,
                  "10 to 60000", place)
    if do == "sweep":
        check(faults, track, "sweep_ms", lambda value: payloads.is_integer(value, 100, 60000),
              None, "100 to 60000", place)
    if do == "play":
        check(faults, track, "file", _is_file, None, "the name of a file on the board", place)
    if do == "speak":
        check(faults, track, "line", is_text, "-", "text of up to %d" % TEXT_CHARS_MAX, place)
    if do == "flicker" and len(faults) == before and track["low"] > track["high"]:
        faults.append("%slow: allowed is at most high" % place)
    if do == "run" and lasts_ms > output.get("run_ms_max", 10000):
        faults.append("%sto_ms: allowed is a run of %d ms (the motor's run_ms_max)"
                      % (place, output.get("run_ms_max", 10000)))


def _clashes(faults, behaviour, duration_ms, place):
    """One output follows one track at a time, or steps."""
    taken = [[0, duration_ms, name] for name in set(s[1] for s in behaviour.get("steps", []))]
    for track in behaviour.get("tracks", []):
        from_ms, to_ms = track.get("from_ms", 0), track.get("to_ms", duration_ms)
        for other in taken:
            if other[2] == track["output"] and from_ms < other[1] and other[0] < to_ms:
                faults.append("%stracks: %s has two at once" % (place, track["output"]))
                return
        taken.append([from_ms, to_ms, track["output"]])
