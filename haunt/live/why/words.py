"""The parts of a sentence about a decision, and its facts ready to be put into one."""

from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

from haunt.live.why.facts import Because

MINUTES_FROM_MS: Final = 100_000

TellTime = Callable[[int], str]
"""How an instant (UTC ms) is told to a person."""


class Names(NamedTuple):
    """What people call sensors and props, by id; an id that is not there stands for itself."""

    sensors: Mapping[str, str] = {}
    props: Mapping[str, str] = {}


class Said(NamedTuple):
    """`what` is the rule and its number; `cause` what it goes back to; `would` what changes it."""

    what: str
    cause: str = ""
    would: str = ""

    def __str__(self) -> str:
        return " ".join(f"{each}." for each in self if each)


def seconds(ms: int) -> str:
    if ms >= MINUTES_FROM_MS:
        return f"{round(ms / 60_000)} min"
    return f"{ms / 1000:.1f} s"


def whole(ms: int) -> str:
    """A setting, as people wrote it: 25 s and not 25.0 s."""
    return f"{ms / 1000:g} s" if ms < MINUTES_FROM_MS else seconds(ms)


def count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


class Facts:
    """What is known of one decision, ready to be put into a sentence; unknown is empty."""

    def __init__(self, decision: Mapping[str, Any], names: Names, clock: TellTime) -> None:
        known = decision.get("because") or {}
        self.because = Because(**{k: known[k] for k in Because._fields if k in known})
        self.margin: int | None = decision.get("margin")
        self._names, self._clock = names, clock
        sensor = str(decision.get("sensor") or "")
        self.sensor = names.sensors.get(sensor, sensor) or "the sensor"
        self.left = seconds(self.margin) if self.margin is not None else ""
        self.limit = whole(self.because.limit) if self.because.limit is not None else ""
        self.since = self._at(self.because.since_ms)
        self.until = self._at(self.because.until_ms)

    def _at(self, at_ms: int | None) -> str:
        return self._clock(at_ms) if at_ms is not None else ""

    @property
    def by(self) -> str:
        """Who set it and when, as far as is known."""
        cause = self.because.cause
        if not self.since:
            return f"by {cause}" if cause else "since before the restart"
        return f"since {self.since}" + (f" by {cause}" if cause else "")

    @property
    def cause_prop(self) -> str:
        return self._names.props.get(self.because.cause, self.because.cause) or "a neighbour"

    @property
    def cause_sensor(self) -> str:
        return self._names.sensors.get(self.because.cause, self.because.cause)

    def left_of(self, what: str = "") -> str:
        """`3.2 s left of 25.0 s`, or as much of it as is known."""
        if not self.left:
            return ""
        of = f" of {self.limit}{what}" if self.limit else what and f" of{what}"
        return f", {self.left} left{of}"

    def later(self, verb: str = "fired") -> str:
        return f"A motion {self.left or 'a little'} later would have {verb}"

    def since_words(self, before: str) -> str:
        return f"{before} {self.since}" if self.since else ""


Say = Callable[[Facts], Said]
