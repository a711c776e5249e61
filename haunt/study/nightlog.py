"""Everything that was decided and told in one line of evidence: the log hash, and counts.

It forgets what it has counted; with `keep` it holds every record, for those who look at them.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import fields
from hashlib import sha256
from operator import attrgetter
from typing import Any, Final

from haunt.core.decisions import Decision, Outcome
from haunt.core.events import Motion
from haunt.live.ports import AlertRow, Record
from haunt.study.ledger import Ledger
from haunt.wire.eventcodec import KINDS

_VALUES: Final[dict[type, Any]] = {
    kind: attrgetter(*(each.name for each in fields(kind) if each.name != "show"))
    for kind in KINDS.values()
}


class NightLog:
    """Satisfies `failing.Keeper`. The hash covers what was decided, whether it was kept or not."""

    def __init__(self, ledger: Ledger, *, keep: bool) -> None:
        self.records: list[Record] = []
        self.alerts: list[tuple[int, AlertRow]] = []
        self.outcomes: Counter[Outcome] = Counter()
        self.reasons: Counter[str] = Counter()
        self.motions = self.events = self.longest_wait_ms = 0
        self._ledger, self._keep = ledger, keep
        self._digest = sha256()

    def put(self, record: Record) -> None:
        event = record.event
        if event is not None:
            self.events += 1
            kind = type(event)
            said = f"{kind.__name__} {_VALUES[kind](event)}\n"
            for each in record.decisions:
                said += "|".join(map(str, each)) + "\n"
            for cue in record.cues:
                said += "|".join(map(str, cue)) + "\n"
            self._digest.update(said.encode())
        if record.alert is not None:
            row = record.alert
            self._digest.update(repr((row.key, row.state, row.text, record.mono_ms)).encode())
            if self._keep:
                self.alerts.append((record.mono_ms, row))

    def kept(self, records: list[Record]) -> None:
        for record in records:
            if type(record.event) is Motion:
                self.motions += 1
            elif not record.decisions:
                continue
            self._ledger.kept(record)
            for each in record.decisions:
                self._count(each)
        if self._keep:
            self.records += records

    def _count(self, decision: Decision) -> None:
        self.outcomes[decision.outcome] += 1
        if decision.reason is not None:
            self.reasons[decision.reason] += 1
        elif decision.waited_ms > self.longest_wait_ms:
            self.longest_wait_ms = decision.waited_ms

    def lost(self, records: list[Record]) -> None:
        self._ledger.given_up(records)

    def decisions(self) -> Iterator[Decision]:
        for record in self.records:
            yield from record.decisions

    def hash(self) -> str:
        return self._digest.hexdigest()
