"""The chapters of the manual by their names in addresses; the first are for the yard."""

from typing import Final, NamedTuple

CHAPTERS: Final = {
    "ten": "First night in ten steps",
    "phone": "The night on the phone",
    "wrong": "When something is wrong",
    "after": "The day after",
    "safety": "Safety",
    "sums": "Planning, with worked sums",
    "rules": "Every rule and reason",
    "settings": "Every setting",
    "commands": "Every command",
    "addresses": "Every page and address",
    "wire": "What goes over the wire",
    "bench": "Flash and try a board",
    "grow": "More than one machine",
    "security": "Security",
}

BY_PAGE: Final = (
    ("/log", "rules"),
    ("/logbook", "security"),
    ("/props", "wrong"),
    ("/boards", "wrong"),
    ("/alerts", "wrong"),
    ("/before", "ten"),
    ("/walk", "ten"),
    ("/doors", "phone"),
    ("/release", "phone"),
    ("/labels", "ten"),
    ("/first", "ten"),
    ("/rehearse", "ten"),
    ("/findings", "sums"),
    ("/packs", "sums"),
    ("/map", "sums"),
    ("/plan", "settings"),
    ("/nights", "after"),
    ("/nights-compared", "after"),
    ("/counts", "after"),
    ("/tune", "after"),
    ("/tune-show", "after"),
    ("/tune-nights", "after"),
    ("/people", "security"),
    ("/account", "security"),
    ("/join-card", "security"),
    ("/keep", "commands"),
    ("/connect", "wire"),
    ("/", "phone"),
)
"""Where the help of a page is: a page and all below it; the root is itself alone."""


class Chapter(NamedTuple):
    """A chapter as a link says it; no name is the list of them."""

    name: str
    title: str


def chapter_for(path: str) -> Chapter:
    for page, name in BY_PAGE:
        if path == page or (page != "/" and path.startswith(f"{page}/")):
            return Chapter(name, CHAPTERS[name])
    return Chapter("", "Manual")
