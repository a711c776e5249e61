"""How far long work is, told while it goes on."""

from collections.abc import Callable

Progress = Callable[[int, int], None]
"""Told (done, of how many)."""


def quiet(_done: int, _of: int) -> None:
    """Tell nobody."""
