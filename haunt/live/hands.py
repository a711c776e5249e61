"""Who set what by hand, and since when: the core keeps that it stands, people ask whose it is.

Known of this run only; what stood before a restart has no name here.
"""

from collections import OrderedDict
from typing import Final, NamedTuple

DEEDS_MAX: Final = 512


class Deed(NamedTuple):
    by: str
    wall_ms: int


class Hands:
    def __init__(self) -> None:
        self._deeds: OrderedDict[tuple[str, str], Deed] = OrderedDict()
        self.started_wall_ms: int | None = None
        self.link_lost_wall_ms: int | None = None

    def note(self, what: str, about: str, by: str, wall_ms: int) -> None:
        """An order by a person, under the word that the log of actions has for it."""
        key = (what, about)
        self._deeds.pop(key, None)
        self._deeds[key] = Deed(by, wall_ms)
        while len(self._deeds) > DEEDS_MAX:
            self._deeds.popitem(last=False)

    def link(self, wall_ms: int, *, up: bool) -> None:
        if up:
            self.link_lost_wall_ms = None
        elif self.link_lost_wall_ms is None:
            self.link_lost_wall_ms = wall_ms

    def of(self, what: str, about: str = "") -> Deed | None:
        return self._deeds.get((what, about))
