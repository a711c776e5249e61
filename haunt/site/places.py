"""Where things are: the pages by the job they serve, for whoever may open them."""

from collections.abc import Iterator
from typing import Final, NamedTuple

from haunt.site.rights import Role, find


class Place(NamedTuple):
    href: str
    word: str


PLACES: Final = {
    "Plan": (
        Place("/first", "First show"),
        Place("/plan", "Plan"),
        Place("/map", "Site map"),
        Place("/findings", "Findings"),
        Place("/labels", "Labels"),
        Place("/lines", "Lines"),
        Place("/rehearse", "Rehearse"),
    ),
    "Begin": (
        Place("/before", "Before opening"),
        Place("/walk", "Walk test"),
        Place("/doors", "Doors"),
        Place("/boards", "Boards"),
        Place("/packs", "Packs"),
    ),
    "Run": (
        Place("/", "Tonight"),
        Place("/alerts", "Needs a person"),
        Place("/log", "Why"),
        Place("/counts", "Counts"),
    ),
    "Learn": (
        Place("/nights", "Nights"),
        Place("/nights-compared", "Nights compared"),
        Place("/tune", "Tune"),
    ),
    "House": (
        Place("/account", "You"),
        Place("/people", "People"),
        Place("/join-card", "Join card"),
        Place("/logbook", "Who did what"),
        Place("/keep", "Backups"),
        Place("/manual", "Manual"),
        Place("/connect", "Own board"),
        Place("/docs", "API"),
    ),
}


def places_for(role: Role) -> Iterator[tuple[str, list[Place]]]:
    for job, places in PLACES.items():
        yield job, [each for each in places if _least(each.href) <= role]


def _least(href: str) -> Role:
    right = find("GET", href).right
    assert right is not None, f"{href} is no page"
    return right.least
