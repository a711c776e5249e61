"""Runs the board that a configuration file describes: main.py [config.json]."""

import sys

import board
import config


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
    try:
        board.run(found)
    except KeyboardInterrupt:
        return 0
    except Exception as fault:
        # Outputs are at rest by now. A board in a garden has nobody to read a traceback.
        print("restarting after:", repr(fault))
        board.restart()
        raise


code = main(getattr(sys, "argv", []))
# A board that exits starts anew at once: nobody would read the faults or get at its prompt.
if sys.platform in ("linux", "darwin", "win32"):
    sys.exit(code)
