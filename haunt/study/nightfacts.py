"""What the journal holds of one night, as rows: the values that a report is made of."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from haunt.core.events import Motion


class Span(NamedTuple):
    """The night on the wall clock, in UTC ms, half-open."""

    from_ms: int
    until_ms: int


class DecisionRow(NamedTuple):
    at_ms: int
    source: str
    sensor: str | None
    prop: str | None
    outcome: str
    reason: str | None
    waited_ms: int


class HealthRow(NamedTuple):
    at_ms: int
    board: str
    boot: str
    battery_mv: int | None
    charge_percent: int | None
    reset: str
    motions: Mapping[str, int]


class Told(NamedTuple):
    """An alert, or what a person did: when, and in words."""

    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Rows:
    """What the journal holds of one night. Motions carry the wall clock in both their times.

    `starts_ms` are the starts of the controller.
    """

    motions: Sequence[Motion]
    decisions: Sequence[DecisionRow]
    health: Sequence[HealthRow]
    alerts: Sequence[Told] = ()
    actions: Sequence[Told] = ()
    starts_ms: Sequence[int] = ()
