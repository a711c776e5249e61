"""Runs scripted behaviours through the board's tracks; runs on MicroPython as well.

track_vectors.py FIRMWARE TRACKS.json prints each difference and the number run, and exits 1 if
there is a difference. A step is a time, what is done then, and every level expected, in order.
"""

import json
import sys

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from typing import Any


def done(tracks: "Any", ms: int, what: "list[Any]") -> "list[list[Any]]":
    verb, rest = what[0], what[1:]
    if verb == "due":
        changes = tracks.due(ms)
    elif verb == "stalled":
        tracks.stalled(*rest)
        changes = []
    else:
        changes = getattr(tracks, verb)(ms, *rest)
    return [list(change) for change in changes]


def differences(modules: "dict[str, Any]", prop: "Any", steps: "list[Any]") -> "list[str]":
    whole = {"id": "gate", "host": "h", "root": "haunt/yard", "pins": "script", "props": prop}
    config = modules["config"].parse(json.dumps(whole))
    tracks, found = modules["tracks"].Tracks(config.props, config.flash_hz_max, 1), []
    for ms, what, expected in steps:
        got = done(tracks, ms, what)
        if got != expected:
            found.append(
                f"at {ms}\n  got      {json.dumps(got)}\n  expected {json.dumps(expected)}"
            )
    return found


def main(firmware: str, path: str) -> int:
    sys.path.insert(0, firmware)
    modules = {name: __import__(name) for name in ("config", "tracks")}
    with open(path) as file:  # noqa: PTH123 - MicroPython has no pathlib
        rows = json.load(file)
    wrong = 0
    for row in rows:
        for found in differences(modules, row["props"], row["steps"]):
            wrong += 1
            print(row["name"], found)
    print("run", len(rows))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
