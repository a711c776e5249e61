"""Goal: a view that was taken over says what one made anew would say.

Method: a night is told many things, drawn by a fixed seed; after each the views of a scene that
has seen all of it are compared with those of a scene that begins now.
"""

import json

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.dice import draw
from haunt.live.night import RunningNight
from haunt.live.ports import ActionRow, Arrival, LinkState
from haunt.live.scene import Scene
from haunt.live.views import Labels
from tests.core.stage import BOOT, EVENING
from tests.fakes.broker import FakeJournal, FakeOutbox
from tests.live.gardenstage import row_of

BOARDS = 6
STEPS = 300
CROWN = ActionRow("Mara", "mute", "s1")


class Told:
    """The night, and how it is told things."""

    def __init__(self) -> None:
        self.journal = FakeJournal()
        self.running = RunningNight(
            Arbiter(row_of(BOARDS)), FakeOutbox(), self.journal, clock_id="c1"
        )
        self.ms, self.seq = 1000, 0
        self.running.link(LinkState(True, self.ms, self.wall_ms))
        self.run(500)

    @property
    def wall_ms(self) -> int:
        return EVENING + self.ms

    def run(self, ms: int) -> None:
        self.ms += ms
        self.running.advance(self.ms, self.wall_ms)

    def say(self, topic: str, **payload: object) -> None:
        raw = json.dumps({"boot": BOOT, **payload}).encode()
        self.running.receive(Arrival(f"haunt/garden/{topic}", raw, False, self.ms, self.wall_ms))

    def something(self, step: int) -> None:
        n = draw(step, "board", BOARDS) + 1
        match draw(step, "what", 8):
            case 0 | 1 | 2:
                self.seq += 1
                self.say(f"b{n}/motion", sensor=f"s{n}", seq=self.seq, age_ms=0)
            case 3:
                volts = 7000 + draw(step, "volts", 900)
                self.say(f"b{n}/health", up_ms=self.ms, battery_mv=volts, motions={f"s{n}": 3})
            case 4:
                self.say(f"b{n}/presence", state="here", conn=step + 1, up_ms=self.ms)
            case 5:
                self.say(f"b{n}/presence", state="gone", conn=step + 1)
            case 6:
                muted = events.Muted(self.ms, self.wall_ms, f"s{n}", draw(step, "on", 2) == 0, 5000)
                self.running.order(muted, CROWN)
            case _:
                on = not self.running.arbiter.night.walk_test
                self.running.order(events.WalkTest(self.ms, self.wall_ms, on), CROWN)


def test_what_was_taken_over_is_what_would_be_made_now() -> None:
    told = Told()
    scene = Scene(told.running, told.journal, Labels())
    rebuilt = 0
    before = scene.build(told.ms, frozenset(), 0)

    for step in range(STEPS):
        told.something(step)
        told.run(draw(step, "pause", 3) * 700 if step % 50 else 70_000)
        changed = frozenset(told.running.changed)
        told.running.changed.clear()
        now = scene.build(told.ms, changed, 0)
        fresh = Scene(told.running, told.journal, Labels()).build(told.ms, frozenset(), 0)
        assert now.boards == fresh.boards
        assert now.sensors == fresh.sensors
        rebuilt += sum(now.boards[each] is not before.boards[each] for each in now.boards)
        before = now

    assert rebuilt < STEPS * BOARDS / 2
