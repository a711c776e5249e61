"""Runs the wire's golden payloads through the board's codec; runs on MicroPython as well.

payload_vectors.py FIRMWARE VECTORS.json prints each difference and the number run, and exits 1 if
there is a difference.
"""

import json
import sys

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from types import ModuleType
    from typing import Any

READ = ("cue", "settings", "beat", "stop")
SENT = ("presence", "will", "motion", "health", "report")


def difference(payloads: "ModuleType", vector: "dict[str, Any]") -> str:
    """What the board does otherwise than the vector says; "" if nothing."""
    payload = bytes(vector["payload"], "utf-8")
    if vector["kind"] in READ:
        decoded = payloads.decode(vector["kind"], payload)
        return "" if decoded == vector["value"] else f"decoded {decoded!r}"
    encoded = payloads.encode(vector["kind"], vector["value"])
    said = json.loads(payload)
    expected = {key: said[key] for key in said if key in vector["value"]}
    if "reset" in expected:  # the reader turns a word it never heard of into `unknown`
        expected["reset"] = vector["value"]["reset"]
    return "" if json.loads(encoded) == expected else f"encoded {encoded!r}"


def is_for_the_board(vector: "dict[str, Any]") -> bool:
    """A board's encoder is not asked for what would be wrong."""
    if vector.get("only") == "server":
        return False
    return vector["kind"] in READ or (vector["kind"] in SENT and vector["valid"])


def main(firmware: str, path: str) -> int:
    sys.path.insert(0, firmware)
    payloads = __import__("payloads")
    with open(path) as file:  # noqa: PTH123 - MicroPython has no pathlib
        vectors = [vector for vector in json.load(file) if is_for_the_board(vector)]
    wrong = 0
    for vector in vectors:
        found = difference(payloads, vector)
        if found:
            wrong += 1
            print(vector["name"], found)
    print("run", len(vectors))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
