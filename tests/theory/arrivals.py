"""Streams of motions and lengths of plays, drawn by a generator that is not the project's own.

Seeds are fixed. The arbiter is judged by chance that it had no part in.
"""

from collections.abc import Callable, Iterator
from random import Random  # noqa: TID251 - an outside check needs chance from outside

Length = Callable[[], int]
"""Draws how long the next play lasts, in ms."""


def poisson(
    seed: int, mean_ms: float, count: int, sensor: str = "pir", start_ms: int = 1_000_000
) -> Iterator[tuple[int, str]]:
    """Yield so many motions by chance, the mean gap apart; each instant is cut to whole ms."""
    chance, at = Random(seed), float(start_ms)
    for _ in range(count):
        at += chance.expovariate(1 / mean_ms)
        yield int(at), sensor


def crowds(
    seed: int, mean_ms: float, until_ms: int, sensors: list[str], start_ms: int = 1_000_000
) -> list[tuple[int, str]]:
    """All motions until an instant, at every sensor by chance and at the same rate, in order."""
    found = []
    for index, sensor in enumerate(sensors):
        chance, at = Random(seed * 1000 + index), float(start_ms)
        while (at := at + chance.expovariate(1 / mean_ms)) < until_ms:
            found.append((int(at), sensor))
    return sorted(found)


def lengths(law: str, mean_ms: int, seed: int) -> tuple[Length, float]:
    """Return a draw of lengths with this mean, and their variance in ms^2.

    `exponential` is cut at fifteen means, where one in three million is.
    """
    chance = Random(seed)
    if law == "constant":
        return lambda: mean_ms, 0.0
    if law == "uniform":
        return lambda: chance.randint(0, 2 * mean_ms), (2 * mean_ms) ** 2 / 12
    if law == "exponential":
        most = 15 * mean_ms
        return lambda: min(most, round(chance.expovariate(1 / mean_ms))), float(mean_ms**2)
    raise ValueError(f"no law {law}; allowed: constant, uniform, exponential")
