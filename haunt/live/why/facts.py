"""What a decision's facts are, and where they are read: the state that it left, and people's deeds.

A fact that is newer than the decision is left out.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

from haunt.core.decisions import Decision
from haunt.core.night import Night, Prop, Sensor
from haunt.live.hands import Hands


class Because(NamedTuple):
    """`number` against `limit` in the unit of the reason; instants in UTC ms.

    `cause` is the id of a sensor, prop, person, phase or load; `also` tells cases of one reason
    apart. What does not apply is None or empty.
    """

    number: int | None = None
    limit: int | None = None
    since_ms: int | None = None
    until_ms: int | None = None
    cause: str = ""
    also: str = ""

    def as_json(self) -> dict[str, int | str]:
        return {
            name: value
            for name, value in zip(self._fields, self, strict=True)
            if value is not None and value != ""
        }


NOTHING: Final = Because()


class Case(NamedTuple):
    """One decision in the state that it left."""

    night: Night
    decision: Decision
    hands: Hands

    @property
    def prop(self) -> Prop | None:
        return self.night.props.get(self.decision.prop or "")

    @property
    def sensor(self) -> Sensor | None:
        return self.night.sensors.get(self.decision.sensor or "")

    def wall(self, mono_ms: int | None) -> int | None:
        """UTC of an instant; None for one that had not come when it was decided."""
        if mono_ms is None or mono_ms > self.decision.at_ms:
            return None
        return mono_ms + self.night.offset_ms

    def later(self, mono_ms: int | None) -> int | None:
        return None if mono_ms is None else mono_ms + self.night.offset_ms

    def hand(self, what: str, about: str = "", also: str = "") -> Because:
        deed = self.hands.of(what, about)
        if deed is None:
            return Because(also=also)
        return Because(since_ms=deed.wall_ms, cause=deed.by, also=also)


Find = Callable[[Case], Because]
