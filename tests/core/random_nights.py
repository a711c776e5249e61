"""Random nights: steps that become events in the light of what plays, kept to be played again."""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Effect
from haunt.core.invariants import check_all
from haunt.core.show import Show
from tests.core.random_shows import BOARDS, SENSORS, Luck, show_of
from tests.core.stage import BOOT, EVENING

START_MS = 100_000_000
YEAR_MS = 365 * 86_400_000
WAITS_MS = (0, 0, 1, 100, 499, 500, 999, 1000, 1500, 2500, 4000, 10_000, 60_000)
AGES_MS = (*[0] * 20, 1, 700, 900, 2900, 3001, 600_000)
STEPS_MS = (-10 * YEAR_MS, -86_400_000, -3_600_000, -1000, 999, 1000, 3_600_000, 10 * YEAR_MS)
STATES = ("started", "finished", "finished", "finished", "aborted", "refused", "refused")
WHYS = ("late", "no-beat", "repeat", "old-epoch")
RESETS = ("power-on", "watchdog", "unknown", "brown-out")


@dataclass(frozen=True, slots=True)
class Step:
    """What to do next; the numbers are taken modulo whatever there is to choose from."""

    kind: str
    a: int
    b: int
    c: int


@dataclass(frozen=True, slots=True)
class Call:
    """One call of the arbiter: an event, or only time (None). A restart comes before its event."""

    mono_ms: int
    event: events.Event | None = None
    restart: bool = False


def one(of: "Iterable[Any]", number: int) -> Any:
    values = tuple(of)
    return values[number % len(values)]


@dataclass(slots=True)
class Player:
    """Plays steps on an arbiter, keeps every call and effect, and checks the laws after each."""

    show: Show
    other: Show
    arbiter: Arbiter = field(init=False)
    now: int = START_MS
    offset: int = EVENING - START_MS
    calls: list[Call] = field(default_factory=list)
    effects: list[Effect] = field(default_factory=list)
    seqs: dict[str, int] = field(default_factory=dict)
    boots: dict[str, str] = field(default_factory=lambda: dict.fromkeys(BOARDS, BOOT))

    def __post_init__(self) -> None:
        self.arbiter = Arbiter(self.show)
        self.put(events.Started, 0, False, True)
        for board in BOARDS:
            self.put(events.BoardHere, board, BOOT, 3_600_000, "watchdog")
        for prop in self.show.props:
            self.put(events.HoldReleased, prop.id)

    def put(self, kind: type[events.Event], *words: Any, restart: bool = False) -> None:
        event = kind(self.now, self.now + self.offset, *words)
        self.call(Call(self.now, event, restart))

    def call(self, call: Call) -> None:
        self.calls.append(call)
        self.arbiter, effects = made(self.arbiter, call)
        self.effects += effects
        check_all(self.arbiter.night)

    def play(self, steps: list[Step]) -> "Player":
        for step in steps:
            _DO[step.kind](self, step)
        return self

    def wait(self, ms: int) -> None:
        self.now += ms
        self.call(Call(self.now))


def reloaded(arbiter: Arbiter) -> Arbiter:
    memory = json.loads(json.dumps(arbiter.snapshot()))
    return Arbiter(arbiter.night.show, memory=memory)


def made(arbiter: Arbiter, call: Call) -> tuple[Arbiter, list[Effect]]:
    if call.restart:
        arbiter = reloaded(arbiter)
    if call.event is None:
        return arbiter, list(arbiter.advance(call.mono_ms))
    return arbiter, list(arbiter.handle(call.event))


def _motion(player: Player, step: Step) -> None:
    sensor = player.arbiter.night.sensors.get(one((*SENSORS * 6, "ghost"), step.a))
    board = sensor.spec.board if sensor is not None else "b0"
    name = sensor.spec.id if sensor is not None else "ghost"
    last = player.seqs.get(board, 0)
    seq = one((last + 1, last + 1, last + 1, last + 2, max(1, last), max(1, last - 1)), step.b)
    player.seqs[board] = max(last, seq)
    age = one(AGES_MS, step.c)
    player.put(events.Motion, board, name, player.boots[board], seq, age)


def _report(player: Player, step: Step) -> None:
    playing = [p for p in player.arbiter.night.props.values() if p.play is not None]
    state, why = one(STATES, step.b), one(WHYS, step.c)
    epoch = player.arbiter.night.epoch + 3 if why == "old-epoch" else 0
    if not playing:
        player.put(events.Reported, one(BOARDS, step.a), "no-such-cue", state, why, epoch)
        return
    prop = one(playing, step.a)
    assert prop.play is not None
    player.put(events.Reported, prop.spec.board, prop.play.cue, state, why, epoch)


def _here(player: Player, step: Step) -> None:
    board = one(BOARDS, step.a)
    if step.b % 4 == 0:
        player.boots[board] = f"{step.c % 5:012x}"
        player.seqs.pop(board, None)
    player.put(events.BoardHere, board, player.boots[board], step.c % 9000, one(RESETS, step.c))


def _health(player: Player, step: Step) -> None:
    board = one(BOARDS, step.a)
    active = ((one(SENSORS, step.b), step.c % 60_000),)
    charge = one((None, 5, 25, 45, 90), step.b)
    player.put(events.BoardHealth, board, player.boots[board], 0, charge, active)


def _clock(player: Player, step: Step) -> None:
    by = one(STEPS_MS, step.a)
    if abs(player.offset + by - (EVENING - START_MS)) <= 25 * YEAR_MS:
        player.offset += by
    player.put(events.ClockStepped)


def _restart(player: Player, step: Step) -> None:
    player.now += one(WAITS_MS, step.a)
    epoch = step.b % 50
    words = (epoch, step.b % 9 == 0, step.c % 4 != 0)
    player.put(events.Started, *words, restart=True)


def _woke(player: Player, step: Step) -> None:
    player.now += one(WAITS_MS, step.a)
    player.put(events.Woke)


def _quietly(player: Player, step: Step) -> None:
    """Let time pass without telling the arbiter: its timers run with the next event."""
    player.now += one(WAITS_MS, step.a)


def _hand(player: Player, step: Step) -> None:
    prop = one(player.arbiter.night.props.values(), step.a).spec
    behaviour = one((None, prop.behaviours[0].id), step.b)
    player.put(events.FiredByHand, prop.id, f"k{step.c % 40}", behaviour, step.b % 3 == 0)


def _change(player: Player, step: Step) -> None:
    player.put(events.ShowChanged, (player.show, player.other)[step.a % 2])


def _doors(player: Player, step: Step) -> None:
    state = one((*("open", "timetable") * 3, "closed", "paused", "extended"), step.a)
    player.put(events.DoorsSet, state, 30_000)


def _some_prop(player: Player, number: int) -> str:
    return str(one(player.arbiter.night.props, number))


def _orders(kind: type[events.Event], words: Callable[[Player, Step], tuple[Any, ...]]) -> Any:
    return lambda player, step: player.put(kind, *words(player, step))


_DO: dict[str, Callable[[Player, Step], None]] = {
    "motion": _motion,
    "report": _report,
    "wait": lambda player, step: player.wait(one(WAITS_MS, step.a)),
    "quietly": _quietly,
    "here": _here,
    "gone": _orders(events.BoardGone, lambda _p, s: (one(BOARDS, s.a),)),
    "health": _health,
    "link": _orders(events.LinkChanged, lambda _p, s: (s.a % 6 != 0,)),
    "stop": _orders(events.Stopped, lambda _p, _s: ()),
    "release": _orders(events.StopReleased, lambda _p, _s: ()),
    "hold": _orders(events.Held, lambda p, s: (_some_prop(p, s.a), one((None, 500, 5000), s.b))),
    "unhold": _orders(events.HoldReleased, lambda p, s: (one((None, _some_prop(p, s.a)), s.b),)),
    "lock": _orders(events.LockedOut, lambda p, s: (_some_prop(p, s.a), s.b % 3 == 0, "Ada")),
    "service": _orders(events.ServiceChanged, lambda p, s: (_some_prop(p, s.a), s.b % 3 == 0)),
    "mute": _orders(
        events.Muted, lambda _p, s: (one(SENSORS, s.a), s.b % 3 == 0, one((None, 3000), s.c))
    ),
    "phase": _orders(events.PhaseByHand, lambda _p, s: (one((None, "gentle"), s.a), 5000)),
    "doors": _doors,
    "walk": _orders(events.WalkTest, lambda _p, s: (s.a % 8 == 0,)),
    "hand": _hand,
    "change": _change,
    "clock": _clock,
    "restart": _restart,
    "woke": _woke,
}
_OFTEN = ("motion",) * 60 + ("wait", "quietly", "report") * 12 + ("hand",) * 2
_MENDING = (
    "unhold",
    "here",
    "release",
    "release",
    "release",
    "lock",
    "service",
    "link",
    "walk",
) * 3
CALM = (*_OFTEN, "health", "gone", *("here",) * 3, "phase", "hold", *("unhold",) * 3)
KINDS = (*_OFTEN, *_MENDING, *_DO)


def night_of(seed: int, length: int, kinds: tuple[str, ...] = KINDS) -> list[Step]:
    """Return the first steps of an endless night: a shorter failing one is its beginning."""
    luck = Luck(seed)
    return [
        Step(luck.of(*kinds), luck.below(10_000), luck.below(10_000), luck.below(10_000))
        for _ in range(length)
    ]


seeds = st.integers(0, 2**32 - 1)
lengths = st.integers(0, 300)
shows = st.builds(show_of, seeds)
nights = st.builds(night_of, seeds, lengths)
calm_nights = st.builds(night_of, seeds, lengths, st.just(CALM))
