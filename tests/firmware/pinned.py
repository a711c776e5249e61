"""Runs a whole board by its own board.run, on pins that are logged; for MicroPython's Unix port.

pinned.py PORT; an interrupt ends it, and it prints what its pins showed and how often it was awake.
"""

import json
import sys
import time

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from typing import Any

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."


def main(port: str) -> int:
    sys.path.insert(0, HERE)
    cuts = __import__("cuts")
    sys.path.insert(0, cuts.FIRMWARE)
    pinlog = __import__("pinlog")
    ticks: Any = time
    began = ticks.ticks_ms()
    bench = pinlog.Bench(lambda: ticks.ticks_diff(ticks.ticks_ms(), began))
    pinlog.install(bench)
    here = f'"127.0.0.1", "port": {port}'
    text = cuts.CONFIG.replace('"10.0.0.2"', here).replace('"spread_ms": 5000', '"spread_ms": 0')
    try:
        __import__("board").run(__import__("config").parse(text))
    except KeyboardInterrupt:
        print(json.dumps({"log": bench.log, "levels": bench.levels, "fed": bench.fed}))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
