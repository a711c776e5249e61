"""Fakes of the running night's ports: they record what happened and answer as told."""

import json
from typing import Any, NamedTuple

from haunt.live.ports import JournalCounts, Receipt, Record


class Sent(NamedTuple):
    topic: str
    payload: dict[str, Any]
    qos: int
    retain: bool


class FakeOutbox:
    def __init__(self) -> None:
        self.sent: list[Sent] = []
        self.acknowledged: list[Receipt] = []
        self.up = True

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        if self.up:
            self.sent.append(Sent(topic, json.loads(payload), qos, retain))
        return self.up

    def acknowledge(self, receipt: Receipt) -> None:
        self.acknowledged.append(receipt)

    def of(self, ending: str) -> list[dict[str, Any]]:
        return [each.payload for each in self.sent if each.topic.endswith(ending)]


class FakeJournal:
    """Keeps records; `room` is how many more it takes."""

    def __init__(self, room: int = 1 << 30) -> None:
        self.records: list[Record] = []
        self.room = room
        self.refused = 0

    def put(self, record: Record) -> bool:
        if self.room <= 0:
            self.refused += 1
            return False
        self.room -= 1
        self.records.append(record)
        return True

    def counts(self) -> JournalCounts:
        return JournalCounts(len(self.records), self.refused, 0, "")
