"""Weighs cooldowns for the pages, in a process of its own, one at a time."""

import json
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

from haunt.site.ports import Was
from haunt.store.engines import Engine
from haunt.store.shows import cooldowns_of
from haunt.study.advice import Advice, Tried

WEIGH_S = 60


def from_json(found: dict[str, Any]) -> Advice:
    """Read back what `as_json` gives."""
    advised = found["advised_s"]
    return Advice(
        found["prop"],
        _ms(found["cooldown_s"]),
        None if advised is None else _ms(advised),
        found["visits"],
        found["answered"],
        found["gain"],
        found["gain_low"],
        found["gain_high"],
        found["sure"],
        found["used_more_mah"],
        found["why"],
        tuple(
            Tried(
                _ms(each["cooldown_s"]),
                each["answered"],
                each["fired"],
                each["used_mah"],
                _ms(each["loud_s"]),
                each["worst_duty"],
            )
            for each in found["tried"]
        ),
    )


def _ms(seconds: float) -> int:
    return round(seconds * 1000)


class Weigher:
    """Satisfies `site.tuning.TuneBook`. The running night loses no moment to it."""

    def __init__(self, engine: Engine, data: Path) -> None:
        self._engine, self._data = engine, data
        self._one = threading.Lock()

    def weigh(self, prop: str) -> Advice | str:
        words = [sys.executable, "-m", "haunt", "tune", prop, "--data", str(self._data), "--json"]
        with self._one:
            try:
                done = subprocess.run(  # noqa: S603 - our own program, a prop's id checked by the page
                    ["nice", "-n", "10", *words] if os.name == "posix" else words,
                    capture_output=True,
                    text=True,
                    timeout=WEIGH_S,
                    check=False,
                )
            except subprocess.TimeoutExpired:
                return f"it took more than {WEIGH_S} s: ask `haunt tune {prop}` instead"
        if done.returncode:
            return done.stderr.strip().removeprefix("haunt: ") or "it failed"
        return from_json(json.loads(done.stdout)[0])

    def history(self, prop: str) -> list[Was]:
        return [Was(*each) for each in cooldowns_of(self._engine, prop)]
