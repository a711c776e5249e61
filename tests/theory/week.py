"""A week without a pause: crowds, reboots, strangers, hands, and at first edits and restarts.

`python -m tests.theory.week` plays it thick and prints what the arbiter holds, day by day.
"""

import gc
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from random import Random  # noqa: TID251 - an outside check needs chance from outside
from time import perf_counter

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.clockwork import CalendarSpec, PhaseSpec, QuietSpec, TimeOfDay, Timetable
from haunt.core.invariants import check_all
from haunt.core.show import Behaviour, Link, LoadSpec, Show
from tests.core.stage import prop, sensor, show
from tests.theory.holding import Holding, holding_of
from tests.theory.yard import START_MS, Yard

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NAMES = ("arch", "bell", "crypt", "door", "elm", "fence")
STRANGERS = 80
THICK_MS, THIN_MS = 5_000, 240_000


@dataclass(slots=True)
class Day:
    """The most that the arbiter held at any look, one every four hours."""

    things: int = 0
    size_bytes: int = 0
    snapshot_bytes: int = 0
    blocks: int = 0
    longest: dict[str, int] = field(default_factory=dict)

    def look(self, held: Holding, snapshot_bytes: int, blocks: int) -> None:
        self.things = max(self.things, held.things)
        self.size_bytes = max(self.size_bytes, held.size_bytes)
        self.snapshot_bytes = max(self.snapshot_bytes, snapshot_bytes)
        self.blocks = max(self.blocks, blocks)
        for where, size in held.longest.items():
            self.longest[where] = max(self.longest.get(where, 0), size)


def a_show() -> Show:
    """A row of six in which every rule that remembers something is in use."""
    acts = (
        Behaviour("rise", 4_000, 3_000, motor_on_ms=2_000, voice=True, draws=((0, 400),)),
        Behaviour("blink", 2_000, 1_500, flash_mhz=900, draws=((0, 100),)),
    )
    props = [
        prop(
            name,
            f"b{at // 2}",
            behaviours=acts,
            cooldown_ms=8_000,
            hourly_cap=120,
            duty_permille=300,
            retire_percent=10,
            neighbours=NAMES[max(0, at - 1) : at] + NAMES[at + 1 : at + 2],
            voice_neighbours=tuple(each for each in NAMES if each != name),
        )
        for at, name in enumerate(NAMES)
    ]
    sensors = [
        sensor(
            f"s-{name}",
            board=f"b{at // 2}",
            lull_ms=2_000,
            stays=True,
            links=(Link(name), Link(NAMES[(at + 1) % 6], delay_ms=5_000)),
        )
        for at, name in enumerate(NAMES)
    ]
    nine, ten = TimeOfDay(21 * 60), TimeOfDay(22 * 60)
    return show(
        *props,
        *sensors,
        gap_ms=4_000,
        loads=(LoadSpec("supply", "bench", 1_000),),
        timetable=(
            Timetable(1, "arch", every_min_ms=60_000, every_max_ms=120_000),
            Timetable(2, "bell", at=TimeOfDay(20 * 60)),
        ),
        calendar=CalendarSpec(
            phases=(PhaseSpec("gentle", TimeOfDay(17 * 60), nine, cooldown_permille=1500),),
            quiet=(QuietSpec(nine, ten),),
        ),
    )


def play(mean_ms: int, days: int = 7) -> Iterator[Day]:
    """Yield each day when it is over. `mean_ms` is between the motions of one sensor."""
    chance = Random(31)
    yard = Yard(a_show(), lambda: chance.randint(500, 4_400), 8_000, lambda _: _one_in(chance, 20))
    moments = sorted(
        [*_motions(chance, mean_ms, days), *_odd_moments(days)],
        key=lambda each: each[0],
    )
    day, ends, look = Day(), START_MS + DAY_MS, START_MS
    for at, what in moments:
        if at >= look:
            look += 4 * HOUR_MS
            _look(yard, day)
        if at >= ends:
            yield day
            day, ends = Day(), ends + DAY_MS
        _happen(yard, chance, at, what)
    yield day


def _motions(chance: Random, mean_ms: int, days: int) -> Iterator[tuple[int, str]]:
    for name in NAMES:
        at = float(START_MS)
        while (at := at + chance.expovariate(1 / mean_ms)) < START_MS + days * DAY_MS:
            yield int(at), f"s-{name}"


def _odd_moments(days: int) -> Iterator[tuple[int, str]]:
    """Everything else, by the minute: so often that what is bounded is full within two days.

    Edits and restarts build the night anew, which would hide what it keeps: none after day 1.
    """
    for minute in range(days * 24 * 60):
        at = START_MS + minute * 60_000
        yield at, "health"
        for every, what in ((2, "stranger"), (9, "hand"), (90, "boot"), (360, "stop")):
            if minute % every == every - 1:
                yield at + every, what
        for every, what in ((45, "crew"), (60, "outage"), (720, "edit"), (1440, "restart")):
            if minute % every == every - 1 and (every < 720 or at < START_MS + DAY_MS):
                yield at + 30_000, what


def _happen(yard: Yard, chance: Random, at: int, what: str) -> None:
    board, name, odd = f"b{chance.randrange(3)}", chance.choice(NAMES), f"{at:x}"
    match what:
        case "health":
            boot = yard.boots.get(board, "7f3a91c2d405")
            active = ((f"s-{name}", at % HOUR_MS),)
            yard.tell(at, events.BoardHealth, board, boot, 1, chance.randint(20, 90), active)
        case "stranger":
            stranger = f"x{(at - START_MS) // 120_000 % STRANGERS}"
            yard.tell(at, events.Motion, stranger, "pir", odd, 1)
        case "hand":
            yard.tell(at, events.FiredByHand, name, odd)
        case "boot":
            yard.boots[board] = odd
            yard.tell(at, events.BoardGone, board)
            yard.tell(at, events.BoardHere, board, odd, 0, "power-on")
        case "stop":
            yard.tell(at, events.Stopped)
            yard.tell(at + 1_000, events.StopReleased)
        case "crew":
            yard.tell(at, events.Held, name, 60_000)
            yard.tell(at, events.Muted, f"s-{name}", on=True, for_ms=60_000)
            yard.tell(at, events.PhaseByHand, "gentle", 60_000)
        case "outage":
            yard.tell(at, events.LinkChanged, up=False)
            yard.tell(at, events.LinkChanged, up=True)
        case "edit":
            yard.of = replace(yard.of, gap_ms=4_000 + chance.randrange(1_000))
            yard.tell(at, events.ShowChanged, yard.of)
        case "restart":
            memory = json.loads(json.dumps(yard.arbiter.snapshot()))
            yard.arbiter = Arbiter(yard.of, memory=memory)
            yard.tell(at, events.Started, link_up=True)
        case _:
            yard.motion(at, what)


def _look(yard: Yard, day: Day) -> None:
    check_all(yard.arbiter.night)
    gc.collect()
    snapshot = json.dumps(yard.arbiter.snapshot())
    day.look(holding_of(yard.arbiter), len(snapshot), sys.getallocatedblocks())


def _one_in(chance: Random, sides: int) -> bool:
    return chance.randrange(sides) == 0


def main() -> int:
    began, days = perf_counter(), []
    print("day  things   bytes  snapshot  blocks of the process")
    for number, day in enumerate(play(THICK_MS), start=1):
        days.append(day)
        print(
            f"{number:3} {day.things:7} {day.size_bytes:7} {day.snapshot_bytes:9} {day.blocks:8}",
            flush=True,
        )
    second, seventh = days[1].longest, days[6].longest
    grown = {
        where: (second.get(where, 0), size)
        for where, size in seventh.items()
        if size > second.get(where, 0)
    }
    print(f"longest containers that grew from day 2 to day 7: {grown or 'none'}")
    print(f"{perf_counter() - began:.0f} s")
    return 0 if days[6].things <= 1.05 * days[1].things else 1


if __name__ == "__main__":
    sys.exit(main())
