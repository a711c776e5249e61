"""Simulated boards: the firmware's own brain, a steady clock of its own, sensors and a pack."""

from collections.abc import Callable
from functools import partial
from typing import Any

from haunt.study.air import Air, Ears
from haunt.study.chance import Chance
from haunt.study.ports import Brain, MakeBrain
from haunt.study.schedule import Schedule
from haunt.wire.showmodels import ShowFile

TICK_MS = 1000
HEARS = ("cue", "settings")


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


class SimBoard:
    """One board. `played` counts (prop, cue) outputs that really went on, for the checkers."""

    def __init__(
        self,
        config: dict[str, Any],
        make_brain: MakeBrain,
        schedule: Schedule,
        air: Air,
        chance: Chance,
    ) -> None:
        self.id: str = config["id"]
        self.played: list[tuple[int, str, str]] = []
        self.counted: dict[str, int] = {}
        self.boots = 0
        self.on = True
        self._config, self._make_brain = config, make_brain
        self._schedule, self._air, self._chance = schedule, air, chance
        self._zero_ms = 0
        self._brain: Brain
        self._connected = False
        self._battery_mv: Callable[[int], int] | None = None

    def power_on(self, reset: str = "power-on") -> None:
        self.boots += 1
        self.on = True
        self._connected = False
        self._zero_ms = self._schedule.now_ms - self._chance.below(400)
        self._brain = self._make_brain(self._config, self._chance.hex(12), reset, self._ms())
        boot = self.boots
        self._schedule.after(self._chance.between(200, 3000), lambda: self._connect(boot))
        self._schedule.after(TICK_MS, lambda: self._tick(boot))

    def power_off(self) -> None:
        self.on = False
        self.boots += 1
        if self._connected:
            self._connected = False
            self._air.cut(self.id)

    def reboot(self, reset: str) -> None:
        self.power_off()
        self._schedule.after(300, lambda: self.power_on(reset))

    def lose_link(self, for_ms: int) -> None:
        if self.on and self._connected:
            self._connected = False
            self._air.cut(self.id)
            self._step(("lost",))
            boot = self.boots
            self._schedule.after(for_ms, lambda: self._connect(boot))

    def powered_by(self, battery_mv: Callable[[int], int]) -> None:
        """Give the pack's voltage at an instant of the schedule."""
        self._battery_mv = battery_mv

    def sense(self, sensor: str, high_ms: int = 2000) -> None:
        """Somebody is in front of a sensor for a while."""
        if not self.on:
            return
        self._step(("sensor", sensor, True))
        boot = self.boots
        self._schedule.after(high_ms, lambda: self._clear(boot, sensor))

    def _clear(self, boot: int, sensor: str) -> None:
        if boot == self.boots:
            self._step(("sensor", sensor, False))

    def _connect(self, boot: int) -> None:
        if boot != self.boots or self._connected:
            return
        if not self._air.up:
            self._schedule.after(self._chance.between(500, 3000), lambda: self._connect(boot))
            return
        will = next(a for a in self._brain.step(self._ms(), ("connecting",)) if a[0] == "connect")
        root = self._config["root"]
        topics = frozenset(
            [
                *(f"{root}/{self.id}/{each}" for each in HEARS),
                f"{root}/all/beat",
                f"{root}/all/stop",
            ]
        )
        self._connected = True
        self._air.connect(self.id, Ears(self._hearing(boot), will[1], will[2], 0, topics))
        self._step(("connected",))

    def _hearing(self, boot: int) -> Callable[[str, bytes, bool], None]:
        def hear(topic: str, payload: bytes, retain: bool) -> None:
            if boot == self.boots and self._connected:
                self._step(("message", topic, payload, retain))

        return hear

    def _tick(self, boot: int) -> None:
        if boot != self.boots:
            return
        if self._battery_mv is not None:
            self._step(("battery", self._battery_mv(self._schedule.now_ms)))
        self._step(("tick",))
        self._schedule.after(TICK_MS, lambda: self._tick(boot))

    def _step(self, event: tuple[Any, ...]) -> None:
        for action in self._brain.step(self._ms(), event):
            if action[0] == "publish" and self._connected:
                _, topic, payload, qos, retain, token = action
                self._air.say(topic, payload, qos=qos, retain=retain)
                if token:
                    self._schedule.after(5, partial(self._acked, token))
            elif action[0] == "output" and action[3]:
                self.played.append((self._schedule.now_ms, action[1], action[2]))
                prop = self._config["props"][action[1]]["behaviours"][action[2]]
                self._schedule.after(prop["duration_ms"] + 1, self._nudge(self.boots))

    def _acked(self, token: object) -> None:
        if self._connected:
            self._step(("acked", token))

    def _nudge(self, boot: int) -> Callable[[], None]:
        """Let a behaviour end at its own instant, not at the next tick."""

        def nudge() -> None:
            if boot == self.boots:
                self._step(("tick",))

        return nudge

    def _ms(self) -> int:
        return self._schedule.now_ms - self._zero_ms
