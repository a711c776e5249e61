"""Simulated boards: the firmware's own brain, a steady clock of its own, sensors and a pack.

A board costs nothing between its events: it sleeps until its brain is due, and takes up the beats
that came meanwhile, each at its own instant, before anything else happens.
"""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NamedTuple, Protocol

from haunt.study.air import BEAT, Air
from haunt.study.chance import Chance
from haunt.study.path import Path, Will
from haunt.study.ports import Brain, MakeBrain
from haunt.study.schedule import Schedule
from haunt.wire.showmodels import ShowFile

HEARS = ("cue", "settings")
ASLEEP = 1 << 60
TICK = ("tick",)
RETRY_MS, RETRY_MS_MAX = 500, 5_000
REBOOT_MS = 300


def config_of(file: ShowFile, board: str) -> dict[str, Any]:
    """Write the file that this board would carry."""
    return {
        "id": board,
        "host": "127.0.0.1",
        "root": f"haunt/{file.info.id}",
        "pins": "script",
        "spread_ms": 0,
        "sensors": {s.id: {"action": s.action} for s in file.sensors if s.board == board},
        "props": {
            p.id: {"behaviours": {b.id: {"duration_ms": b.duration_ms} for b in p.behaviours}}
            for p in file.props
            if p.board == board
        },
    }


class Played(NamedTuple):
    """An output that really went on."""

    at_ms: int
    prop: str
    behaviour: str


class Observer(Protocol):
    """Whoever holds boards to their word; told of what really happened, at once."""

    def said(self, board: "SimBoard", topic: str, payload: bytes) -> None: ...
    def heard(self, board: "SimBoard", topic: str, payload: bytes) -> None: ...
    def went_on(self, board: "SimBoard", prop: str, behaviour: str, payload: bytes) -> None: ...
    def went_off(self, board: "SimBoard", prop: str) -> None: ...
    def died(self, board: "SimBoard") -> None: ...


class SimBoard:
    """One board. `starts` counts what really went on; `alters` makes a bad one of it.

    `battery_mv` gives its pack's voltage at an instant of the schedule; None: it measures none.
    """

    def __init__(  # noqa: PLR0913 - a board is made of these
        self,
        config: Mapping[str, Any],
        make_brain: MakeBrain,
        schedule: Schedule,
        air: Air,
        chance: Chance,
        observer: Observer | None = None,
        *,
        keep: bool = True,
    ) -> None:
        """With `keep` every start is kept in `played`, else only counted in `starts`."""
        self.id: str = config["id"]
        self.played: list[Played] = []
        self.starts = 0
        self.boots = 0
        self.boot = ""
        self.on = False
        self.stuck: set[str] = set()
        self.alters: Callable[[str, bytes], bytes] | None = None
        self._config, self._make_brain = dict(config), make_brain
        self._schedule, self._air, self._chance = schedule, air, chance
        self._observer, self._keep = observer, keep
        self._zero_ms = 0
        self._brain: Brain
        self._path: Path | None = None
        self.battery_mv: Callable[[int], int] | None = None
        self._wake_ms = ASLEEP
        self._hearing = b""
        root = config["root"]
        self._beat = f"{root}{BEAT}"
        self._topics = (
            f"{root}/all/stop",
            self._beat,
            *(f"{root}/{self.id}/{each}" for each in HEARS),
        )

    @property
    def connected(self) -> bool:
        return self._path is not None

    @property
    def brain(self) -> Brain:
        return self._brain

    # --- power and link

    def power_on(self, reset: str = "power-on") -> None:
        self.boots += 1
        self.on = True
        self._zero_ms = self._schedule.now_ms - self._chance.below(400)
        self.boot = self._chance.hex(12)
        self._brain = self._make_brain(self._config, self.boot, reset, self._ms())
        self._wake_ms = ASLEEP
        self._retry_ms = RETRY_MS
        self._schedule.after(self._chance.between(200, 3000), self._if_same_boot(self._connect))

    def power_off(self) -> None:
        """No goodbye, and outputs go dark by themselves."""
        if not self.on:
            return
        self._catch_up()
        self.on = False
        self.boots += 1
        path, self._path = self._path, None
        if self._observer is not None:
            self._observer.died(self)
        if path is not None:
            self._air.cut(path)

    def reboot(self, reset: str) -> None:
        self.power_off()
        boots = self.boots
        self._schedule.after(
            REBOOT_MS, lambda: self.power_on(reset) if boots == self.boots else None
        )

    def lose_link(self, for_ms: int) -> None:
        """The socket breaks at this end."""
        path = self._path
        if path is not None:
            self._air.cut(path)
            self._lose(for_ms)

    def reconnect(self) -> None:
        """Its radio is back: try now."""
        if self.on and self._path is None:
            self._connect()

    def lost(self) -> None:
        """The socket was closed by the other end, or pings are not answered."""
        if self._path is not None:
            self._lose(self._pause_ms())

    def _lose(self, for_ms: int) -> None:
        self._catch_up()
        self._path = None
        self._step(("lost",))
        self._schedule.after(for_ms, self._if_same_boot(self._connect))

    def _pause_ms(self) -> int:
        """Between half and all of a bound that doubles, as the firmware draws it."""
        bound = self._retry_ms
        self._retry_ms = min(RETRY_MS_MAX, 2 * bound)
        return self._chance.between(bound // 2, bound)

    def _connect(self) -> None:
        if self._path is not None:
            return
        if not self._air.can_connect(self.id):
            self._schedule.after(self._pause_ms(), self._if_same_boot(self._connect))
            return
        self._retry_ms = RETRY_MS
        self._catch_up()
        actions = self._brain.step(self._ms(), ("connecting",))
        self._perform(actions)
        will = next(each for each in actions if each[0] == "connect")
        self._path = self._air.connect(self.id, self, Will(will[1], will[2]), self._topics)
        self._step(("connected",))

    # --- the world

    def sense(self, sensor: str, high_ms: int = 2000) -> None:
        """Somebody is in front of a sensor for a while."""
        if self.on:
            self._step(("sensor", sensor, True))
            self._schedule.after(high_ms, self._if_same_boot(partial(self._clear, sensor)))

    def _clear(self, sensor: str) -> None:
        if sensor not in self.stuck:
            self._step(("sensor", sensor, False))

    def free(self, sensor: str) -> None:
        """A stuck sensor lets go."""
        self.stuck.discard(sensor)
        if self.on:
            self._step(("sensor", sensor, False))

    # --- the air: satisfies Hears

    def hear(self, topic: str, payload: bytes, retain: bool) -> None:
        self._hearing = payload
        if self._observer is not None:
            self._observer.heard(self, topic, payload)
        self._step(("message", topic, payload, retain))
        self._hearing = b""

    def _catch_up(self) -> None:
        """Take up the beats that came since it last did anything, each at its own instant."""
        path = self._path
        beats = self._air.beats_of(path) if path is not None else None
        if beats:
            zero_ms = self._zero_ms
            heard = [(at_ms - zero_ms, payload) for at_ms, payload in beats]
            self._perform(self._brain.hear_beats(self._beat, heard))

    # --- the brain

    def _wake(self, at_ms: int) -> None:
        if at_ms != self._wake_ms or not self.on:
            return
        self._wake_ms = ASLEEP
        self._catch_up()
        brain, now_ms = self._brain, self._schedule.now_ms
        if brain.due_ms() + self._zero_ms <= now_ms:
            event: tuple[Any, ...] = TICK
            if self.battery_mv is not None:
                event = ("battery", self.battery_mv(now_ms))
            actions = brain.step(now_ms - self._zero_ms, event)
            if actions:
                self._perform(actions)
        self._sleep()

    def _sleep(self) -> None:
        """Until the brain is due."""
        at_ms = self._brain.due_ms() + self._zero_ms
        if at_ms < self._wake_ms:
            self._wake_ms = at_ms
            self._schedule.at(at_ms, partial(self._wake, at_ms))

    def _step(self, event: tuple[Any, ...]) -> None:
        self._catch_up()
        actions = self._brain.step(self._schedule.now_ms - self._zero_ms, event)
        if actions:
            self._perform(actions)
        self._sleep()

    def _perform(self, actions: list[tuple[Any, ...]]) -> None:
        for action in actions:
            kind = action[0]
            if kind == "publish":
                self._publish(*action[1:])
            elif kind == "output":
                self._put(action[1], action[2], is_on=action[3])
            elif kind == "stop_state" and self._observer is not None:
                self._observer.went_off(self, action[1])

    def _put(self, prop: str, behaviour: str, *, is_on: bool) -> None:
        if is_on:
            self.starts += 1
        if is_on and self._keep:
            self.played.append(Played(self._schedule.now_ms, prop, behaviour))
        if self._observer is None:
            return
        if is_on:
            self._observer.went_on(self, prop, behaviour, self._hearing)
        else:
            self._observer.went_off(self, prop)

    def _publish(self, topic: str, payload: bytes, qos: int, retain: bool, token: int) -> None:
        path = self._path
        if self.alters is not None:
            payload = self.alters(topic, payload)
        if self._observer is not None and qos:
            self._observer.said(self, topic, payload)
        if path is None:
            return
        acked = partial(self._acked, path, token) if token else None
        self._air.say(path, topic, payload, qos=qos, retain=retain, acked=acked)

    def _acked(self, path: Path, token: int) -> None:
        if path is self._path:
            self._step(("acked", token))

    def _if_same_boot(self, what: Callable[[], None]) -> Callable[[], None]:
        boots = self.boots

        def run() -> None:
            if boots == self.boots:
                what()

        return run

    def _ms(self) -> int:
        return self._schedule.now_ms - self._zero_ms
