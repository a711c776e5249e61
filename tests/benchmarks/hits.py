"""How long a hit takes from the wire to a phone's stream: `python -m tests.benchmarks.hits [HITS]`.

The owner's own thread, the hub and the page's parts, on the real clock; the broker and the phone's
radio are not in it. It fails where one hit takes a second.
"""

import asyncio
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

from haunt.bootstrap.clock import SystemClock
from haunt.core.arbiter import Arbiter
from haunt.live.crew import Crew
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.ports import Arrival, LinkState
from haunt.live.scene import Scene
from haunt.live.views import Labels
from haunt.site.fragments import Fragments, environment, wants_of
from haunt.site.hub import Hub
from tests.core.stage import BOOT
from tests.fakes.broker import FakeJournal, FakeOutbox
from tests.live.gardenstage import row_of

MOST_S = 1.0
SENSORS = 12
APART_S = (0.31, 0.07, 0.52, 1.13)
"""Between two hits: neither in step with the hub nor with the beat."""


@dataclass(slots=True)
class Line:
    """The wire's end of a running night with boards that are here."""

    clock: SystemClock
    running: RunningNight
    owner: Owner
    seq: int = 0

    def tell(self, topic: str, **payload: object) -> None:
        at = (self.clock.mono_ms(), self.clock.wall_ms())
        self.owner.deliver(
            Arrival(f"haunt/garden/{topic}", json.dumps(payload).encode(), False, *at)
        )

    def begun(self) -> None:
        """Wait until the retained stop would have come."""
        while not self.running.begun:
            time.sleep(0.05)

    def hit(self, number: int) -> str:
        self.seq += 1
        n = number % SENSORS + 1
        self.tell(f"b{n}/motion", sensor=f"s{n}", boot=BOOT, seq=self.seq, age_ms=0)
        return f"s{n}"


def opened(hub: Hub) -> Line:
    clock, journal = SystemClock(0), FakeJournal()
    running = RunningNight(Arbiter(row_of(SENSORS)), FakeOutbox(), journal, clock_id="c1")
    owner = Owner(running, Scene(running, journal, Labels()), clock)
    owner.listen(hub.notify)
    line = Line(clock, running, owner)
    owner.deliver(LinkState(up=True, mono_ms=clock.mono_ms(), wall_ms=clock.wall_ms()))
    owner.start()
    return line


async def measured(hits: int) -> list[float]:
    """Return the seconds of each hit from the wire to the stream."""
    hub = Hub()
    line = opened(hub)
    crew = Crew(line.owner)
    parts = Fragments(crew, environment(), line.clock.wall_ms)
    task = asyncio.create_task(hub.run(parts))
    phone = hub.join(wants_of("walk"))
    await asyncio.to_thread(line.begun)
    for n in range(1, SENSORS + 1):
        line.tell(f"b{n}/presence", state="here", boot=BOOT, conn=1, up_ms=90_000, reset="soft")
    await asyncio.wrap_future(crew.walk_test("Mara", on=True))
    found = []
    for number, apart_s in zip(range(hits), _apart(), strict=False):
        await asyncio.sleep(apart_s)
        begun = time.perf_counter()
        wanted = f'<p class="big">{await asyncio.to_thread(line.hit, number)}</p>'
        while (message := await phone.queue.get()) is None or wanted not in message.data:
            pass
        found.append(time.perf_counter() - begun)
    line.owner.stop()
    hub.close()
    await task
    return found


def _apart() -> Iterator[float]:
    while True:
        yield from APART_S


def main() -> int:
    hits = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    found = sorted(asyncio.run(measured(hits)))
    median, worst = found[len(found) // 2] * 1000, found[-1] * 1000
    print(f"{hits} hits: median {median:.0f} ms, worst {worst:.0f} ms")
    return 0 if found[-1] <= MOST_S else 1


if __name__ == "__main__":
    sys.exit(main())
