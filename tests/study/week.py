"""`python -m tests.study.week [DAYS]`: what a whole simulated world holds while a night never ends.

Shell, arbiter, alerts, journal, broker, boards and watchers together, with faults, restarts and a
crew; one look an hour, told by the day. It must hold no more on the seventh day than on the second.
"""

import gc
import sys
from dataclasses import dataclass, field
from pathlib import Path
from resource import getpagesize
from time import perf_counter

from haunt.bootstrap.firmware import make_brain
from haunt.study.faults import ROUGH
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showmodels import ShowFile
from tests.study.yards import yard
from tests.theory.holding import Holding, holding_of

EVENING = 1_793_484_000_000
HOUR_MS = 3_600_000
GROWS_AT_MOST = 1.05


@dataclass(slots=True)
class Day:
    """The most at any look. `rss_mb` is of the process."""

    things: int = 0
    size_bytes: int = 0
    blocks: int = 0
    rss_mb: float = 0.0
    longest: dict[str, int] = field(default_factory=dict)

    def look(self, held: Holding) -> None:
        self.things = max(self.things, held.things)
        self.size_bytes = max(self.size_bytes, held.size_bytes)
        self.blocks = max(self.blocks, sys.getallocatedblocks())
        self.rss_mb = max(self.rss_mb, rss_mb())
        for where, size in held.longest.items():
            self.longest[where] = max(self.longest.get(where, 0), size)


def rss_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * getpagesize() / 1e6


def endless(seed: int = 1, file: ShowFile | None = None) -> World:
    """Build a show without hours: it never closes."""
    return World(
        file or yard(6, props_a_board=2, island=6),
        make_brain,
        seed=seed,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=40),
        faults=ROUGH,
        keep=False,
    )


def day_of(world: World, looks: int, every_ms: int) -> Day:
    day = Day()
    for _ in range(looks):
        world.run(every_ms)
        gc.collect()
        day.look(holding_of(world))
    return day


def grown(second: Day, last: Day) -> dict[str, tuple[int, int]]:
    """Return the containers that were longer on the last day than on the second."""
    return {
        where: (second.longest.get(where, 0), size)
        for where, size in last.longest.items()
        if size > GROWS_AT_MOST * second.longest.get(where, 0) + 8
    }


def main() -> int:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    began, world, found = perf_counter(), endless(), list[Day]()
    print("day  things    bytes  blocks of the process  MB of the process  restarts")
    for number in range(1, days + 1):
        day = day_of(world, 24, HOUR_MS)
        found.append(day)
        print(
            f"{number:3} {day.things:7} {day.size_bytes:8} {day.blocks:22} {day.rss_mb:18.1f} "
            f"{world.controller.starts - 1:9}",
            flush=True,
        )
    verdict = world.heal().verdict()
    second, last = found[min(1, days - 1)], found[-1]
    print(f"longest containers that grew since day 2: {grown(second, last) or 'none'}")
    print(f"{verdict.motions:,} motions, {verdict.faults:,} faults, {perf_counter() - began:.0f} s")
    for trouble in verdict.troubles:
        print(f"BROKEN: {trouble}")
    is_flat = last.things <= GROWS_AT_MOST * second.things
    return 0 if is_flat and not verdict.troubles else 1


if __name__ == "__main__":
    sys.exit(main())
