"""A small stage for tests of the arbiter: a clock that is moved by hand and short event calls."""

import json
from typing import Any

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.calendar import Sunset, no_sunset
from haunt.core.decisions import Decision, Effect, SendCue, TellStop
from haunt.core.invariants import check_all
from haunt.core.show import Behaviour, BoardSpec, Link, PropSpec, SensorSpec, Show

EVENING = 1_793_552_400_000  # 2026-11-01T17:00:00Z, a Sunday
BOOT = "7f3a91c2d405"


def prop(name: str = "gate", board: str = "b1", **more: Any) -> PropSpec:
    more.setdefault("behaviours", (Behaviour("growl", 4000),))
    more.setdefault("cooldown_ms", 10_000)
    return PropSpec(name, board, name.title(), **more)


def sensor(name: str = "pir", to: str = "gate", board: str = "b1", **more: Any) -> SensorSpec:
    more.setdefault("links", (Link(to),))
    return SensorSpec(name, board, **more)


def show(*things: PropSpec | SensorSpec, **more: Any) -> Show:
    """Build a show of these props and sensors; boards follow from them."""
    boards = sorted({each.board for each in things})
    return Show(
        "garden",
        "UTC",
        boards=tuple(BoardSpec(each) for each in boards),
        sensors=tuple(each for each in things if isinstance(each, SensorSpec)),
        props=tuple(each for each in things if isinstance(each, PropSpec)),
        **more,
    )


class Stage:
    """Runs one arbiter. `now` is the steady clock; every effect is kept."""

    def __init__(
        self, of: Show, *, start: int = 1_000_000, wall: int = EVENING, sunset: Sunset = no_sunset
    ) -> None:
        self.arbiter = Arbiter(of, sunset)
        self.sunset = sunset
        self.now, self.offset = start, wall - start
        self.effects: list[Effect] = []
        self.seqs: dict[str, int] = {}
        self.do(events.Started)
        self.do(events.LinkChanged, True)
        for board in of.boards:
            self.do(events.BoardHere, board.id, BOOT, 3_600_000, "power-on")
        self.do(events.HoldReleased, None)
        self.effects.clear()

    def do(self, kind: type[events.Event], *args: Any, **more: Any) -> list[Decision]:
        return self._take(
            self.arbiter.handle(kind(self.now, self.now + self.offset, *args, **more))
        )

    def motion(self, name: str = "pir", age_ms: int = 0, seq: int | None = None) -> list[Decision]:
        spec = self.arbiter.night.sensors.get(name)
        board = spec.spec.board if spec is not None else "b1"
        if seq is None:
            seq = self.seqs[board] = self.seqs.get(board, 0) + 1
        return self.do(events.Motion, board, name, BOOT, seq, age_ms)

    def wait(self, ms: int) -> list[Decision]:
        """Let time pass, with every timer at its instant."""
        self.now += ms
        return self._take(self.arbiter.advance(self.now))

    def finish(self, name: str = "gate", state: str = "finished", why: str = "") -> list[Decision]:
        playing = self.arbiter.night.props[name].play
        assert playing is not None, f"{name} does not play"
        board = self.arbiter.night.props[name].spec.board
        return self.do(events.Reported, board, playing.cue, state, why)

    def plays(self, name: str = "pir", of: str = "gate", ms: int = 4000) -> None:
        """Let a prop be seen, play and report its end after `ms`."""
        assert verdicts(self.motion(name)) == [("fired", None)]
        self.wait(ms)
        self.finish(of)

    def reload(self, of: Show | None = None) -> None:
        """Go on from a snapshot that went through JSON, as if nothing had happened."""
        memory = json.loads(json.dumps(self.arbiter.snapshot()))
        self.arbiter = Arbiter(of or self.arbiter.night.show, self.sunset, memory)

    def restart(self, after_ms: int = 0, of: Show | None = None, **more: Any) -> list[Decision]:
        """Start the controller again from its snapshot, `after_ms` later, with the broker there."""
        self.reload(of)
        self.now += after_ms
        return self.do(events.Started, link_up=True, **more)

    def jump_wall(self, ms: int) -> None:
        self.offset += ms

    def _take(self, effects: list[Effect]) -> list[Decision]:
        check_all(self.arbiter.night)
        self.effects += effects
        return [each for each in effects if isinstance(each, Decision)]

    @property
    def decisions(self) -> list[Decision]:
        return [each for each in self.effects if isinstance(each, Decision)]

    @property
    def cues(self) -> list[SendCue]:
        return [each for each in self.effects if isinstance(each, SendCue)]

    @property
    def stops(self) -> list[TellStop]:
        return [each for each in self.effects if isinstance(each, TellStop)]


def lines(decisions: list[Decision]) -> list[tuple[str, str | None, int | None]]:
    """Outcome, reason and margin of each."""
    return [(str(each.outcome), each.reason, each.margin) for each in decisions]


def verdicts(decisions: list[Decision]) -> list[tuple[str, str | None]]:
    return [(str(each.outcome), each.reason) for each in decisions]
