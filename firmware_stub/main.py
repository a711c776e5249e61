"""Runs the board that a configuration file describes: main.py [config.json]."""

import sys

import board
import config


def main(arguments):
    path = arguments[1] if len(arguments) > 1 else "config.json"
    try:
        board.run(path)
    except KeyboardInterrupt:
        return 0
    except config.ConfigError as wrong:
        for fault in wrong.faults:
            print("%s: %s" % (path, fault))
        return 2
    except Exception as fault:
        # Outputs are at rest by now. A board in a garden has nobody to read a traceback.
        print("restarting after:", repr(fault))
        board.restart()
        raise


sys.exit(main(sys.argv))
