"""Reads the lines that drive a board without pins: text in, events out."""


def events_of(line):
    """`motion SENSOR`, `clear SENSOR`, `button SENSOR`, `battery MV`, `stall PROP OUTPUT`, `drop`,
    `reboot [CAUSE]`.

    `drop` cuts the connection without a goodbye, `reboot` takes the board's power for a moment.
    A line that says nothing known is nothing.
    """
    words = line.split()
    if len(words) == 1 and words[0] in ("drop", "reboot"):
        return [(words[0], "power-on")]
    if len(words) == 3 and words[0] == "stall":
        return [("stalled", words[1], words[2])]
    if len(words) != 2:
        return []
    verb, what = words
    if verb == "reboot":
        return [("reboot", what)]
    if verb == "battery":
        return [("battery", int(what))] if what.isdigit() else []
    levels = {"motion": (True,), "clear": (False,), "button": (True, False)}.get(verb, ())
    return [("sensor", what, level) for level in levels]
