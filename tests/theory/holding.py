"""Counts what an object holds, all the way down: how many things, and how many bytes."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from sys import getsizeof

from haunt.core.show import Show

STILL = (str, bytes, int, float, bool, type(None), type, Show)
"""Ends of the walk. A show is what people wrote, and grows with what they write alone."""


@dataclass(slots=True)
class Holding:
    """`longest` is the length of the longest container of each kind, by where it hangs."""

    things: int = 0
    size_bytes: int = 0
    longest: dict[str, int] = field(default_factory=dict)


def holding_of(root: object) -> Holding:
    found, seen, todo = Holding(), set[int](), [("", root)]
    while todo:
        where, thing = todo.pop()
        if id(thing) in seen:
            continue
        seen.add(id(thing))
        found.things += 1
        found.size_bytes += getsizeof(thing)
        if isinstance(thing, STILL):
            continue
        if isinstance(thing, list | tuple | set | frozenset | dict):
            found.longest[where] = max(found.longest.get(where, 0), len(thing))
        todo.extend(_inside(where, thing))
    return found


def _inside(where: str, thing: object) -> Iterator[tuple[str, object]]:
    if isinstance(thing, dict):
        yield from ((where, key) for key in thing)
        yield from ((where, value) for value in thing.values())
    elif isinstance(thing, list | tuple | set | frozenset):
        yield from ((where, each) for each in thing)
    else:
        names = {name for kind in type(thing).__mro__ for name in _slots(kind)}
        names |= set(getattr(thing, "__dict__", ()))
        for name in sorted(names):
            if hasattr(thing, name):
                yield f"{type(thing).__name__}.{name}", getattr(thing, name)


def _slots(kind: type) -> tuple[str, ...]:
    have = kind.__dict__.get("__slots__", ())
    return (have,) if isinstance(have, str) else tuple(have)
