"""Runs the board that a configuration file describes: main.py [config.json]."""

import sys

import board
import config

NO_PINS = '"pins": "script", "control_port": 5005'


def main(arguments):
    path = arguments[1] if len(arguments) > 1 else "config.json"
    try:
        found = config.load(path)
    except OSError as fault:
        print("%s: cannot be read: %r" % (path, fault))
        return 2
    except config.ConfigError as wrong:
        for fault in wrong.faults:
            print("%s: %s" % (path, fault))
        return 2
    if not fits(path, found):
        return 2
    try:
        board.run(found)
    except KeyboardInterrupt:
        return 0
    except Exception as fault:
        # Outputs are at rest by now. A board in a garden has nobody to read a traceback.
        print("restarting after:", repr(fault))
        board.restart()
        raise


def fits(path, found):
    """A computer has no pins, and joins its Wi-Fi by itself."""
    if found.pins == "machine" and not board.has("machine", "Pin"):
        print("%s: this machine has no pins, so it cannot be this board." % path)
        print("To play the board here:  haunt boards play %s" % path)
        print("To play it without haunt, put into the file:  %s" % NO_PINS)
        print("and send to that port, by UDP, lines such as:  motion %s" % _first(found.sensors))
        return False
    if found.wifi and not board.has("network", "WLAN"):
        print("%s: wifi is left to this machine" % path)
        found.wifi = None
    return True


def _first(sensors):
    return list(sensors)[0] if sensors else "SENSOR"


code = main(getattr(sys, "argv", []))
# A board that exits starts anew at once: nobody would read the faults or get at its prompt.
if sys.platform in ("linux", "darwin", "win32"):
    sys.exit(code)
