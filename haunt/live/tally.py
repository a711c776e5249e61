"""Counts of all that came, was dropped or made no sense; and the last decision of each prop."""

from dataclasses import dataclass, field

from haunt.core.decisions import Decision, Outcome, Source
from haunt.live.why.facts import Because


@dataclass(slots=True)
class PropTally:
    fired: int = 0
    refused: int = 0
    lapsed: int = 0
    last: Decision | None = None
    because: Because | None = None
    last_motion_wall_ms: int | None = None


@dataclass(slots=True)
class Tally:
    motions: int = 0
    duplicates: int = 0
    unknown_ids: int = 0
    dropped: int = 0
    malformed: dict[str, int] = field(default_factory=dict)
    last_malformed: str = ""
    props: dict[str, PropTally] = field(default_factory=dict)

    def nonsense(self, board: str, why: str, kind: str) -> None:
        self.malformed[kind] = self.malformed.get(kind, 0) + 1
        self.last_malformed = f"{board}: {why}"[:200]

    def note(self, decision: Decision, because: Because | None = None) -> None:
        if decision.prop is None:
            return
        tally = self.props.get(decision.prop)
        if tally is None:
            tally = self.props[decision.prop] = PropTally()
        if decision.outcome is Outcome.FIRED:
            tally.fired += 1
        elif decision.outcome is Outcome.REFUSED:
            tally.refused += 1
        else:
            tally.lapsed += 1
        tally.last, tally.because = decision, because
        if decision.source is Source.MOTION:
            tally.last_motion_wall_ms = decision.wall_ms - decision.waited_ms
