"""Mutated payloads by the hundred thousand."""

from tests.fuzz.payloads import run

__all__ = ["run"]
