"""Invented evenings whose truth is known: groups at given times, as their sensor tells of them."""

from collections.abc import Iterable

from haunt.core import events
from haunt.core.show import Behaviour, BoardSpec, Link, PropSpec, SensorSpec, Show
from haunt.study.chance import Chance
from haunt.study.rerun import Recording

START_MS = 10_000_000
WALL_MS = 1_793_552_400_000  # 2026-11-01T17:00:00Z
BOOT = "7f3a91c2d405"


def one_prop(cooldown_ms: int, **more: int | None) -> Show:
    growl = Behaviour("growl", 4000, level_dba=70.0, motor_on_ms=2000)
    prop = PropSpec("gate", "b1", "Gate", (growl,), cooldown_ms=cooldown_ms, **more)  # type: ignore[arg-type]
    sensor = SensorSpec("pir", "b1", block_ms=500, links=(Link("gate"),))
    return Show("garden", "UTC", (BoardSpec("b1"),), (sensor,), (prop,))


def evening(groups: Iterable[tuple[int, int]], until_ms: int) -> Recording:
    """Make a recording of groups (arrival in ms from the start, ms they stand there)."""
    happened: list[events.Event] = [
        events.Started(START_MS, WALL_MS),
        events.LinkChanged(START_MS, WALL_MS, True),
        events.BoardHere(START_MS, WALL_MS, "b1", BOOT, 3_600_000),
    ]
    seq = 0
    for at_ms, stays_ms in groups:
        for step_ms in range(0, stays_ms + 1, 1500):
            seq += 1
            now = at_ms + step_ms
            happened.append(events.Motion(START_MS + now, WALL_MS + now, "b1", "pir", BOOT, seq))
    happened.sort(key=lambda each: each.mono_ms)
    happened.append(events.LinkChanged(START_MS + until_ms, WALL_MS + until_ms, True))
    return Recording(tuple(happened))


def poisson(
    seed: int, mean_ms: float, until_ms: int, stays_ms: int = 4500
) -> list[tuple[int, int]]:
    chance, at, found = Chance(seed, "groups"), 0.0, []
    while (at := at + chance.exponential(mean_ms)) < until_ms - 60_000:
        found.append((round(at), stays_ms))
    return found
