"""Runs scripted sequences through the board's brain; runs on MicroPython as well.

step_vectors.py FIRMWARE STEPS.json prints each difference and the number run, and exits 1 if there
is a difference. A step is a time, an event and every action expected of it, in order; of a health
only the keys that are named are compared. Every message is acknowledged at once, unless the
sequence says `acks: false`.
"""

import json
import sys

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from types import ModuleType
    from typing import Any

BOOT = "7f3a91c2d405"


class Player:
    """One sequence on one fresh board."""

    def __init__(self, modules: "dict[str, ModuleType]", config: "Any", *, acks: bool) -> None:
        self._config = modules["config"].parse(json.dumps(config))
        self._brain = modules["brain"].Brain(self._config, BOOT, "power-on", 0)
        self._acks = acks

    def differences(self, steps: "list[dict[str, Any]]") -> "list[str]":
        found = []
        for step in steps:
            got = self._actions(step["ms"], self._event(step["event"]))
            if not are_alike(got, step["expect"]):
                found.append(f"at {step['ms']}\n  got      {got}\n  expected {step['expect']}")
        return found

    def _event(self, event: "list[Any]") -> "tuple[Any, ...]":
        if event[0] != "message":
            return tuple(event)
        _, leaf, payload, retain = event
        owner = "all" if leaf in ("beat", "stop") else self._config.id
        text = payload if isinstance(payload, str) else json.dumps(payload)
        return ("message", f"{self._config.root}/{owner}/{leaf}", bytes(text, "utf-8"), retain)

    def _actions(self, ms: int, event: "tuple[Any, ...]") -> "list[list[Any]]":
        """With the broker's acknowledgements, which may let more messages go."""
        waiting, got = [event], []
        while waiting:
            for action in self._brain.step(ms, waiting.pop(0)):
                got.append(self._plain(action))
                if action[0] == "publish" and action[5] and self._acks:
                    waiting.append(("acked", action[5]))
        return got

    def _plain(self, action: "tuple[Any, ...]") -> "list[Any]":
        if action[0] == "connect":
            return ["connect", self._leaf(action[1]), json.loads(action[2])]
        if action[0] != "publish":
            return list(action)
        _, topic, payload, qos, retain, _ = action
        return ["publish", self._leaf(topic), json.loads(payload), qos, retain]

    def _leaf(self, topic: str) -> str:
        own = f"{self._config.root}/{self._config.id}/"
        # MicroPython has no removeprefix.
        return topic[len(own) :] if topic.startswith(own) else topic  # noqa: FURB188


def are_alike(got: "list[list[Any]]", expected: "list[list[Any]]") -> bool:
    if len(got) != len(expected):
        return False
    return all(is_alike(got[place], expected[place]) for place in range(len(got)))


def is_alike(action: "list[Any]", expected: "list[Any]") -> bool:
    if action[:2] != ["publish", "health"] or expected[:2] != ["publish", "health"]:
        return action == expected
    said, named = action[2], expected[2]
    return action[3:] == expected[3:] and all(said.get(key) == named[key] for key in named)


def main(firmware: str, path: str) -> int:
    sys.path.insert(0, firmware)
    modules = {name: __import__(name) for name in ("brain", "config")}
    with open(path) as file:  # noqa: PTH123 - MicroPython has no pathlib
        sequences = json.load(file)
    config, run, wrong = None, 0, 0
    for sequence in sequences:
        if "config" in sequence:
            config = sequence["config"]
            continue
        run += 1
        player = Player(modules, config, acks=sequence.get("acks", True))
        for found in player.differences(sequence["steps"]):
            wrong += 1
            print(sequence["name"], found)
    print("run", run)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
