"""Runs boot.py as a board does, in the folder it is given, and prints every level that pins showed.

booted.py FIRMWARE FOLDER; runs on MicroPython as well.
"""

import json
import os
import sys

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."


def main(firmware: str, folder: str) -> int:
    sys.path.insert(0, HERE)
    sys.path.insert(0, firmware)
    pinlog = __import__("pinlog")
    bench = pinlog.Bench(lambda: 0)
    pinlog.install(bench)
    os.chdir(folder)
    __import__("boot")
    print(json.dumps([[pin, level] for _, pin, level in bench.log]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
