"""The golden bytes of the wire, as values for the tests of this folder."""

import json
from dataclasses import dataclass
from pathlib import Path

from haunt.wire.topics import Kind

_FILE = Path(__file__).parent.parent / "vectors" / "payloads.json"


@dataclass(frozen=True)
class Vector:
    name: str
    kind: str
    topic: str
    payload: bytes
    valid: bool
    value: dict[str, object] | None
    why: str

    @property
    def model(self) -> Kind:
        """A will is a presence, sent by the broker in the board's name."""
        kinds: dict[str, Kind] = {
            "presence": "presence",
            "will": "presence",
            "motion": "motion",
            "health": "health",
            "report": "report",
            "cue": "cue",
            "settings": "settings",
            "beat": "beat",
            "stop": "stop",
        }
        return kinds[self.kind]


def _read() -> list[Vector]:
    rows = json.loads(_FILE.read_text(encoding="utf-8"))
    return [
        Vector(
            name=row["name"],
            kind=row["kind"],
            topic=row["topic"],
            payload=row["payload"].encode(),
            valid=row["valid"],
            value=row["value"],
            why=row["why"],
        )
        for row in rows
    ]


VECTORS = _read()
