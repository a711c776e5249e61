"""Mutated packets by the hundred thousand, at both ends."""

from tests.fuzz.packets import run

__all__ = ["run"]
