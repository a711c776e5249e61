"""Says what each kind of output takes: its range, its load, its level at rest. Touches no pin."""

SWITCHED = ("pin", "relay", "solenoid")
DIMMED = ("dimmer", "pixels")
KINDS = SWITCHED + DIMMED + ("servo", "motor", "sound")
FULL = 1000
LOADS = ("light", "sound", "motor", "air", "heat", "fog", "strobe", "other")
# What may play without a controller. A servo is a motor too.
GENTLE_LOADS = ("light", "sound")

_LOAD_OF = {
    "dimmer": "light",
    "pixels": "light",
    "sound": "sound",
    "servo": "motor",
    "motor": "motor",
    "solenoid": "air",
}


def kind_of(output):
    return output.get("kind", "pin")


def full_of(output):
    """The highest level: 1 for what is only on or off."""
    return 1 if kind_of(output) in SWITCHED else FULL


def lowest_of(output):
    return -FULL if kind_of(output) == "motor" else 0


def load_of(output):
    """`other` where nobody said: a pin alone does not tell what hangs on it."""
    return output.get("load", _LOAD_OF.get(kind_of(output), "other"))


def is_light(output):
    return load_of(output) in ("light", "strobe")


def rest_level(output):
    """The level of an output when nothing plays: at boot, after a behaviour, after a stop.

    None for a servo that holds: it has no place to go to.
    """
    if output["stop"] == "home":
        return output["home"]
    if output["stop"] == "on":
        return full_of(output)
    return None if output["stop"] == "hold" and kind_of(output) == "servo" else 0


def outputs_of(behaviour):
    """The names of all outputs that a behaviour drives."""
    names = [step[1] for step in behaviour.get("steps", [])]
    for track in behaviour.get("tracks", []):
        names.append(track["output"])
    return names
