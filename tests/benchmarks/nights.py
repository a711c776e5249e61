"""`python -m tests.benchmarks.nights [HOURS]`: seconds for a simulated night of 40 and 200 props.

Each with faults and without, beside a baseline of the same run: how often a second the standard
library parses one motion's JSON. Times are of the processor, so that a busy machine tells less.
"""

import json
import sys
from dataclasses import dataclass
from time import process_time

from haunt.bootstrap.firmware import make_brain
from haunt.study.faults import NONE, ROUGH, Faults
from haunt.study.visitors import Traffic
from haunt.study.world import World
from tests.study.yards import yard

EVENING = 1_793_484_000_000
HOUR_MS = 3_600_000
NIGHT_H = 5.0
MOTION = '{"sensor":"gate-pir","boot":"7f3a91c2d405","seq":41,"age_ms":0,"clock":"a1","at_ms":1234}'


@dataclass(frozen=True, slots=True)
class Night:
    """`taken_s` of the processor for `hours`; `messages` came up from the boards."""

    props: int
    boards: int
    hours: float
    taken_s: float
    motions: int
    messages: int
    log_hash: str

    @property
    def whole_night_s(self) -> float:
        return self.taken_s / self.hours * NIGHT_H


def baseline(count: int) -> float:
    """Return parses a second."""
    began = process_time()
    for _ in range(count):
        json.loads(MOTION)
    return count / (process_time() - began)


def simulated(
    props: int, hours: float, faults: Faults, *, props_a_board: int = 4, groups: float = 40
) -> Night:
    file = yard(props, props_a_board=props_a_board)
    began = process_time()
    world = World(
        file,
        make_brain,
        seed=1,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=groups),
        faults=faults,
        keep=False,
    )
    world.run(round(hours * HOUR_MS)).heal()
    verdict = world.verdict()
    taken_s = process_time() - began
    assert verdict.troubles == (), verdict.troubles
    return Night(
        props,
        len(file.boards),
        hours,
        taken_s,
        verdict.motions,
        world.air.session.carried,
        verdict.log_hash,
    )


def main() -> int:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else NIGHT_H
    parses = baseline(300_000)
    print(f"baseline: {parses:,.0f} json.loads a second")
    print("props boards  faults   a night of 5 h    per message  parses a message")
    for props, a_board in ((40, 8), (40, 4), (40, 1), (200, 4)):
        for name, faults in (("none", NONE), ("rough", ROUGH)):
            night = simulated(props, hours, faults, props_a_board=a_board)
            each_s = night.taken_s / night.messages
            print(
                f"{props:5} {night.boards:6}  {name:6} {night.whole_night_s:10.2f} s "
                f"{each_s * 1e6:13.0f} us {each_s * parses:17.1f}",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
