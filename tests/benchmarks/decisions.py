"""Decisions a second of the arbiter alone, with every rule on, at 10, 40 and 1,000 props.

Run as a script. The baseline of the same run is a bare loop that parses one motion's JSON.
"""

import gc
import json
import sys
import time

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.clockwork import CalendarSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.decisions import Decision
from haunt.core.show import Behaviour, BoardSpec, Link, LoadSpec, PropSpec, SensorSpec, Show

ZONE = 10
WALL = 1_793_552_400_000
BOOT = "7f3a91c2d405"
AT_ONCE = 500
"""Motions made just before they are handled, as a server does: an hour of them would be cold."""


def garden(props: int) -> Show:
    """Build zones of ten props that share supply, view, boundary and stagger neighbours."""
    loads, specs, sensors = [], [], []
    for n in range(props):
        zone = n // ZONE
        if n % ZONE == 0:
            loads += [
                LoadSpec("supply", f"s{zone}", 4000),
                LoadSpec("flash", f"v{zone}", 3000),
                LoadSpec("sound-limit", f"p{zone}", 10**9),
            ]
        draws = ((3 * zone, 900), (3 * zone + 1, 1000), (3 * zone + 2, 10**7))
        near = tuple(f"p{m}" for m in (n - 1, n + 1) if m // ZONE == zone and 0 <= m < props)
        behaviours = tuple(
            Behaviour(
                f"b{k}",
                4000,
                motor_on_ms=2000,
                intensity=1 + k,
                level_dba=70,
                voice=k == 0,
                draws=draws,
            )
            for k in range(3)
        )
        specs.append(
            PropSpec(
                f"p{n}",
                f"b{n}",
                f"P{n}",
                behaviours,
                12_000,
                200,
                500,
                0,
                False,
                20,
                40,
                1500,
                near,
                near,
            )
        )
        sensors.append(
            SensorSpec(
                f"s{n}",
                f"b{n}",
                warm_up_ms=60_000,
                block_ms=500,
                lull_ms=700,
                sees=(f"p{n}",),
                settle_ms=200,
                stays=True,
                links=(Link(f"p{n}"),),
            )
        )
    calendar = CalendarSpec(
        phases=(PhaseSpec("all", TimeOfDay(0), TimeOfDay(0), max_intensity=2),),
        quiet=(QuietSpec(TimeOfDay(0), TimeOfDay(0), max_level_dba=75),),
    )
    boards = tuple(BoardSpec(f"b{n}") for n in range(props))
    return Show(
        "bench", "UTC", boards, tuple(sensors), tuple(specs), tuple(loads), (), 2000, calendar
    )


def night(props: int, motions: int, each_ms: int = 400) -> tuple[float, int, Arbiter]:
    """Return seconds, decisions, arbiter; every prop has a motion each `each_ms`."""
    arbiter = Arbiter(garden(props))
    now = 10_000_000
    arbiter.handle(events.Started(now, WALL))
    arbiter.handle(events.LinkChanged(now, WALL, True))
    for n in range(props):
        arbiter.handle(events.BoardHere(now, WALL, f"b{n}", BOOT, 3_600_000))
    handle, decisions, seconds = arbiter.handle, 0, 0.0
    gc.collect()
    gc.freeze()  # as the server does once it stands
    for first in range(0, motions, AT_ONCE):
        some = [
            _motion(now + 1000, k, props, each_ms)
            for k in range(first, min(motions, first + AT_ONCE))
        ]
        start = time.perf_counter()
        for event in some:
            for effect in handle(event):
                if type(effect) is Decision:
                    decisions += 1
        seconds += time.perf_counter() - start
    gc.unfreeze()
    return seconds, decisions, arbiter


def _motion(since: int, k: int, props: int, each_ms: int) -> events.Motion:
    n, at = (k * 7) % props, since + k * each_ms // props
    return events.Motion(at, WALL + at - since + 1000, f"b{n}", f"s{n}", BOOT, k // props + 1)


def baseline(rounds: int = 200_000) -> float:
    text = '{"sensor":"gate-pir","boot":"7f3a91c2d405","seq":41,"age_ms":0,"clock":"a1","at_ms":1}'
    start = time.perf_counter()
    for _ in range(rounds):
        json.loads(text)
    return rounds / (time.perf_counter() - start)


def main() -> None:
    base = baseline()
    print(f"json.loads of one motion: {base:,.0f}/s")
    for each_ms, what in ((400, "people stand about"), (3000, "every motion is weighed")):
        print(f"a motion every {each_ms} ms a prop: {what}")
        for props in (10, 40, 1000):
            motions = 300_000 if props == 1000 else 60_000
            best = min(night(props, motions, each_ms) for _ in range(3))[:2]
            rate = best[1] / best[0]
            print(
                f"{props:5} props: {rate:,.0f} decisions/s, {best[0] / motions * 1e6:.2f} us a"
                f" motion, {rate / base:.2f} of the baseline"
            )


if __name__ == "__main__":
    if "--profile" in sys.argv:
        import cProfile

        cProfile.run("night(1000, 60000)", sort="tottime")
    else:
        main()
