"""A broker and one board on a virtual clock: the firmware's own brain, looked into and cut at will.

Satisfies `study.conformance.ports.Wire`.
"""

import json
from collections import deque
from types import SimpleNamespace
from typing import Any

from haunt.study.conformance.ports import Heard
from haunt.wire.packets import Message, SignIn, Will

STEP_MS = 10
AHEAD_MS = 5_000_000  # the controller's steady clock is not the board's
BOOT = "7f3a91c2d405"


class VirtualWire:
    """`changes` alter a message on its way from the board, or drop it with None."""

    def __init__(
        self,
        firmware: SimpleNamespace,
        config: dict[str, Any],
        brain: type[Any] | None = None,
        **line: Any,
    ) -> None:
        self.sees_line = line.pop("sees_line", True)
        self.line = {"clean_session": True, "keepalive_s": 10, "has_will": True, **line}
        parsed = firmware.config.parse(json.dumps(config))
        self._id = parsed.id
        self._brain = (brain or firmware.brain.Brain)(parsed, BOOT, "power-on", 0)
        self._ms = 0
        self.kept: dict[str, bytes] = {}
        self._inbox: deque[Heard] = deque()
        self._sign_ins: list[SignIn] = []
        self._said: list[Message] = []
        self._is_up = self._is_out = False
        self.events: dict[int, tuple[Any, ...]] = {}
        self._connect()

    def now_ms(self) -> int:
        return self._ms + AHEAD_MS

    def wall_ms(self) -> int:
        return 1_793_491_200_000 + self._ms

    def say(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None:
        assert qos in {0, 1}
        if retain:
            self.kept[topic] = payload
        if self._is_up:
            self._step(("message", topic, payload, False))

    def hear(self, wait_ms: int) -> Heard | None:
        end_ms = self._ms + wait_ms
        while not self._inbox and self._ms < end_ms:
            self._ms += min(STEP_MS, end_ms - self._ms)
            for at_ms in [each for each in self.events if each <= self._ms]:
                self._step(self.events.pop(at_ms))
            self._step(("tick",))
        return self._inbox.popleft() if self._inbox else None

    def cut(self) -> None:
        self._is_up, self._is_out = False, True
        will = self._sign_ins[-1].will
        self._step(("lost",))
        if will is not None:
            self._inbox.append(Heard(will.topic, will.payload, retain=False, at_ms=self.now_ms()))

    def let_back(self) -> None:
        self._is_out = False
        self._connect()

    @property
    def is_stopped(self) -> bool:
        return bool(self._brain.stopped)

    def sign_ins(self) -> list[SignIn]:
        return self._sign_ins

    def said(self) -> list[Message]:
        return self._said

    def _connect(self) -> None:
        self._step(("connecting",))
        self._is_up = True
        for topic, payload in sorted(self.kept.items(), key=lambda kept: "/all/" not in kept[0]):
            if payload:
                self._step(("message", topic, payload, True))
        self._step(("connected",))

    def _step(self, event: tuple[Any, ...]) -> None:
        waiting = deque([event])
        while waiting:
            for action in self._brain.step(self._ms, waiting.popleft()):
                if action[0] == "connect":
                    self._sign(action[1], action[2])
                elif action[0] == "publish" and self._is_up:
                    self._publish(*action[1:5])
                    if action[5]:
                        waiting.append(("acked", action[5]))

    def _sign(self, topic: str, payload: bytes) -> None:
        will = Will(topic, payload, 1, retain=True) if self.line["has_will"] else None
        clean, keepalive_s = self.line["clean_session"], self.line["keepalive_s"]
        self._sign_ins.append(SignIn(self._id, self._id, clean, keepalive_s, will))

    def _publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        self._said.append(Message(topic, payload, qos, retain))
        self._inbox.append(Heard(topic, payload, retain=False, at_ms=self.now_ms()))
