"""Events of the arbiter as text for the journal and back; generic over their fields.

A changed show is kept by its version number only; whoever reads asks for the show itself.
"""

import json
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Final

from haunt.core import events
from haunt.core.show import Show

KINDS: Final[dict[str, type[events.Event]]] = {
    name: kind
    for name, kind in vars(events).items()
    if isinstance(kind, type) and issubclass(kind, events.Event) and kind is not events.Event
}

_APART: Final = frozenset({"mono_ms", "wall_ms", "show"})
_FIELDS: Final = {
    kind: tuple(each.name for each in fields(kind) if each.name not in _APART)
    for kind in KINDS.values()
}
# One encoder for all: building it anew costs as much as encoding a motion.
_TEXT_OF: Final = json.JSONEncoder(separators=(",", ":")).encode


def encode_event(event: events.Event) -> tuple[str, str]:
    """Return the kind and the fields as JSON; the two stamps stand in columns of their own."""
    kind = type(event)
    return kind.__name__, _TEXT_OF({name: getattr(event, name) for name in _FIELDS[kind]})


def decode_event(
    kind: str, mono_ms: int, wall_ms: int, text: str, show_of: Callable[[int], Show]
) -> events.Event:
    """Return an event equal to the one encoded. Raises KeyError for a kind unknown here.

    A field that the text does not have takes its default, so that old nights can be read.
    """
    wanted = KINDS[kind]
    found: dict[str, Any] = {name: _tuples(value) for name, value in json.loads(text).items()}
    if wanted is events.ShowChanged:
        found["show"] = show_of(found["version"])
    return wanted(mono_ms, wall_ms, **found)


def _tuples(value: object) -> object:
    """JSON knows no tuples, and events hold no lists."""
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
