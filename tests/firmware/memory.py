"""What a whole board takes of the heap, and how late its tracks are; for MicroPython's Unix port.

memory.py [POLLS] prints one JSON object: bytes of the test itself, of all after booting and after
a play, and by how many ms each of 24 steps came late beside a sweep, polled as board.py does.
"""

import gc
import json
import sys

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."


def used() -> int:
    gc.collect()
    return gc.mem_alloc()  # type: ignore[attr-defined,no-any-return]


def main(polls: int) -> int:
    sys.path.insert(0, HERE)
    before = used()
    cuts = __import__("cuts")
    bench_and_test = used() - before
    yard = cuts.Yard(1)
    __import__("board")
    yard._modules["config"].forget_checks()
    booted = used() - before
    yard._ready()
    yard.cue("keeper", "growl", 60000)
    for _ in range(polls):
        yard.poll(10)
        del yard.bench.log[:]
    found = {"test": bench_and_test, "booted": booted, "played": used() - before}
    found["late_ms"] = sorted(lateness())  # type: ignore[assignment]
    print(json.dumps(found))
    return 0


def lateness() -> "list[int]":
    """Steps 40 ms apart for a second by the real clock, waited for as board.py waits."""
    board, tracks = __import__("board"), __import__("tracks")
    steps = [[40 * n, "eyes", n % 2] for n in range(25)]
    outputs = {"eyes": {"stop": "off"}, "arm": {"kind": "servo", "stop": "hold"}}
    sweep = {"output": "arm", "do": "sweep", "left": 0, "right": 1000, "sweep_ms": 500}
    behaviour = {"duration_ms": 2000, "steps": steps, "tracks": [sweep]}
    made = tracks.Tracks({"p": {"outputs": outputs, "behaviours": {"b": behaviour}}})
    clock, waiter, late = board.Clock(), board.Waiter(), []
    made.boot(0, "p")
    began_ms = ms = clock.now_ms()
    seen = 0
    made.start(began_ms, "p", "b")
    while ms - began_ms < 1000:
        waiter.wait([None], board.WAIT_MS)
        ms = clock.now_ms()
        if any(output == "eyes" for _, output, _level in made.due(ms)):
            # Two steps at once show nothing; the next that shows is late since the first of them.
            late.append(ms - began_ms - 40 * (seen + 1))
            seen = (ms - began_ms) // 40
    return late


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 300))
