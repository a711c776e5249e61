"""Events of the arbiter as rows of the journal and back; generic over their fields.

A changed show is kept by its version number only; whoever reads asks for the show itself.
"""

import json
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Final

from haunt.core import events
from haunt.core.show import Show

STAMPS: Final = frozenset({"mono_ms", "wall_ms"})
KINDS: Final[dict[str, type[events.Event]]] = {
    kind.__name__: kind for kind in events.Event.__subclasses__()
}
_FIELDS: Final = {
    kind: tuple(f.name for f in fields(kind) if f.name not in STAMPS and f.name != "show")
    for kind in KINDS.values()
}


def encode_event(event: events.Event) -> tuple[str, str]:
    """Return the kind and the fields as JSON; the two stamps stand in columns of their own."""
    kind = type(event)
    body = {name: getattr(event, name) for name in _FIELDS[kind]}
    return kind.__name__, json.dumps(body, separators=(",", ":"))


def decode_event(
    kind: str, mono_ms: int, wall_ms: int, body: str, show_of: Callable[[int], Show]
) -> events.Event:
    """Raises KeyError for a kind that this program does not know."""
    found: dict[str, Any] = json.loads(body)
    wanted = KINDS[kind]
    if wanted is events.ShowChanged:
        found["show"] = show_of(found["version"])
    elif wanted is events.BoardHealth:
        found["active"] = tuple((name, ms) for name, ms in found["active"])
    return wanted(mono_ms, wall_ms, **found)
