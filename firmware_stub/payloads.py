"""Turns the JSON bytes of the wire into checked values and values into bytes.

It must never let an exception out: whatever arrives is either a dict of checked fields or None.
"""

import json

PAYLOAD_BYTES_MAX = 2048
INTEGER_MAX = 9007199254740991  # 2^53 - 1: beyond it other JSON readers round
LINE_CHARS_MAX = 128
HOURS_MAX = 16

_DIGITS = "0123456789"
_ID_CHARS = "abcdefghijklmnopqrstuvwxyz-" + _DIGITS
_ID_CHARS_MAX = 32
_CUE_CHARS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ._:" + _ID_CHARS
_CUE_CHARS_MAX = 128


def is_id(value):
    return _is_word(value, _ID_CHARS, _ID_CHARS_MAX)


def is_integer(value, low=0, high=INTEGER_MAX):
    # type() and not isinstance(): True is an int to Python and must not be one here
    return type(value) is int and low <= value <= high


def _is_word(value, chars, chars_max):
    if not isinstance(value, str) or not 1 <= len(value) <= chars_max:
        return False
    return all(char in chars for char in value)


def _is_cue(value):
    return _is_word(value, _CUE_CHARS, _CUE_CHARS_MAX)


def _is_line(value):
    if not isinstance(value, str) or not 1 <= len(value) <= LINE_CHARS_MAX:
        return False
    return all(ord(char) >= 32 for char in value)


def _is_positive(value):
    return is_integer(value, 1)


def _is_flag(value):
    return value is True or value is False


def _is_mode(value):
    return value in ("still", "alone")


def _is_clock_reading(value):
    if not isinstance(value, str) or len(value) != 5 or value[2] != ":":
        return False
    if not all(char in _DIGITS for char in value[:2] + value[3:]):
        return False
    return int(value[:2]) < 24 and int(value[3:]) < 60


def _are_hours(value):
    return isinstance(value, list) and len(value) <= HOURS_MAX and all(
        isinstance(span, list) and len(span) == 2 and all(_is_clock_reading(end) for end in span)
        for span in value
    )


def _are_prop_settings(value):
    return isinstance(value, dict) and all(
        is_id(prop) and _is_prop_setting(value[prop]) for prop in value
    )


def _is_prop_setting(value):
    if not isinstance(value, dict):
        return False
    return is_id(value.get("behaviour")) and is_integer(value.get("cooldown_ms"))


# kind: (field, check, required). Fields that are not listed are ignored.
_READ = {
    "cue": (
        ("cue", _is_cue, True),
        ("epoch", is_integer, True),
        ("prop", is_id, True),
        ("behaviour", is_id, True),
        ("max_ms", _is_positive, True),
        ("ttl_ms", is_integer, True),
        ("sent_ms", is_integer, True),
        ("line", _is_line, False),
    ),
    "settings": (
        ("version", is_integer, True),
        ("mode", _is_mode, True),
        ("props", _are_prop_settings, False),
        ("hours", _are_hours, False),
    ),
    "beat": (
        ("clock", is_id, True),
        ("now_ms", is_integer, True),
        ("wall_ms", is_integer, True),
        ("epoch", is_integer, True),
    ),
    "stop": (
        ("stopped", _is_flag, True),
        ("epoch", is_integer, True),
        ("at_ms", is_integer, True),
    ),
}

_SENT = {
    "presence": ("state", "boot", "conn", "fw", "up_ms", "reset"),
    "will": ("state", "boot", "conn"),
    "motion": ("sensor", "boot", "seq", "age_ms", "clock", "at_ms"),
    "health": (
        "boot",
        "up_ms",
        "battery_mv",
        "rssi",
        "starts",
        "motions",
        "active",
        "epoch",
        "stopped",
        "reset",
        "bad",
        "dropped",
    ),
    "report": ("cue", "boot", "state", "why", "epoch"),
}


def decode(kind, payload):
    """The checked fields of a cue, settings, beat or stop; None if anything is wrong with them."""
    parsed = _parse(payload)
    if parsed is None:
        return None
    fields = {}
    for name, check, required in _READ[kind]:
        if name not in parsed and not required:
            continue
        if not check(parsed.get(name)):
            return None
        fields[name] = parsed[name]
    return fields


def readable_cue(payload):
    """The cue's id where at least that can be read, so that a bad cue can be refused by name."""
    parsed = _parse(payload)
    cue = None if parsed is None else parsed.get("cue")
    return cue if _is_cue(cue) else None


def encode(kind, fields):
    """The bytes of a payload that a board sends; fields that are None are left out."""
    kept = {}
    for name in _SENT[kind]:
        value = fields.get(name)
        if value is not None:
            kept[name] = value
    return bytes(json.dumps(kept, separators=(",", ":")), "utf-8")


def _parse(payload):
    if len(payload) > PAYLOAD_BYTES_MAX:
        return None
    try:
        parsed = json.loads(str(payload, "utf-8"))
    except (ValueError, RuntimeError):  # RuntimeError: nested deeper than the parser's stack
        return None
    return parsed if isinstance(parsed, dict) else None
