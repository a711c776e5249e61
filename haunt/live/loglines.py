"""The night as lines of a log: one search for a motion's id finds it from arrival to report.

Written in the journal's thread, once a record is kept or given up: no motion waits for a log.
"""

import json
import logging
from collections.abc import Iterator
from typing import Final, NamedTuple

from haunt.core.calendar import utc
from haunt.core.decisions import Decision
from haunt.core.events import Motion
from haunt.live.ports import JournalListener, Record

log: Final = logging.getLogger("haunt.night")


class LogLine(NamedTuple):
    """What happened, and its facts in order; an id that is part of others comes first."""

    what: str
    facts: tuple[tuple[str, object], ...]

    def __str__(self) -> str:
        told = (f"{key}={_plain(value)}" for key, value in self.facts if value is not None)
        return f"{self.what} {' '.join(told)}"


class Told:
    """Satisfies `JournalListener`: passes on what it hears, and logs it."""

    def __init__(self, listener: JournalListener) -> None:
        self._listener = listener

    def committed(self, records: list[Record]) -> None:
        self._listener.committed(records)
        self._tell(records, kept=True)

    def lost(self, records: list[Record]) -> None:
        self._listener.lost(records)
        self._tell(records, kept=False)

    def _tell(self, records: list[Record], *, kept: bool) -> None:
        if not log.isEnabledFor(logging.INFO):
            return
        for record in records:
            for line in lines_of(record):
                told = line if kept else line._replace(facts=(*line.facts, ("kept", "no")))
                log.info("%s", told, extra={"line": told})


def lines_of(record: Record) -> Iterator[LogLine]:
    """A cue's id begins with its motion's, `<board>-<boot>-<seq>`."""
    at = ("at", _at(record.wall_ms)), ("number", record.number)
    if isinstance(record.event, Motion):
        motion = record.event
        yield LogLine(
            "motion",
            (
                ("id", f"{motion.board}-{motion.boot}-{motion.seq}"),
                ("sensor", motion.sensor),
                ("age_ms", motion.age_ms),
                *at,
            ),
        )
    for decision in record.decisions:
        yield LogLine("decision", (*_decision(decision), *at))
    for cue in record.cues:
        facts = ("cue", cue.cue), ("board", cue.board), ("behaviour", cue.behaviour)
        yield LogLine("cue", (*facts, ("epoch", cue.epoch), ("max_ms", cue.max_ms), *at))
    if (report := record.report) is not None and report.cue:
        facts = ("cue", report.cue), ("board", report.board), ("state", report.state)
        yield LogLine("report", (*facts, ("why", report.why or None), *at))


def _decision(decision: Decision) -> tuple[tuple[str, object], ...]:
    motion = decision.motion
    return (
        ("motion", None if motion is None else f"{motion.board}-{motion.boot}-{motion.seq}"),
        ("source", decision.source.value),
        ("sensor", decision.sensor),
        ("prop", decision.prop),
        ("outcome", decision.outcome.value),
        ("why", decision.reason),
        ("margin", decision.margin),
        ("waited_ms", decision.waited_ms),
        ("cue", decision.cue),
    )


def _plain(value: object) -> str:
    """In quotes where it would look like more than one word, or more than one line."""
    text = str(value)
    return text if text.isprintable() and not {" ", '"'} & set(text) else json.dumps(text)


def _at(wall_ms: int) -> str:
    return f"{utc(wall_ms):%Y-%m-%dT%H:%M:%S}.{wall_ms % 1000:03d}Z"
