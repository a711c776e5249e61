"""Every address of the server: what it shows or does, and who may open it."""

from collections.abc import Mapping
from typing import Final, NamedTuple

from haunt.site.rights import RIGHTS, Role

READS: Final[Mapping[str, str]] = {
    # to whoever asks
    "/livez": "That the process lives.",
    "/readyz": "That it can run a night; 503 and why where it cannot.",
    "/healthz": "Each part with its state.",
    "/static/{path:path}": "Style, scripts and pictures of the pages.",
    "/ca.pem": "The authority of this house, for a phone that is to trust it.",
    "/sign-in": "Sign in.",
    "/set-up": "The first owner.",
    "/join": "Join by the code on the card.",
    "/link": "Sign in by a link of one's own.",
    # seeing
    "/": "Tonight: what needs a person, and every prop.",
    "/alerts": "What needs a person, one by one.",
    "/stream": "The live part of a page.",
    "/props/{prop}": "One prop: its last decisions, and hands on it.",
    "/boards": "Every board: supply, signal, restarts.",
    "/boards/{board}": "One board, and its password.",
    "/log": "Why: every decision with its reason.",
    "/log.csv": "The same, for a spreadsheet.",
    "/counts": "Who came by, sensor by sensor.",
    "/counts.csv": "The same, for a spreadsheet.",
    "/packs": "Packs, and how long each lasts.",
    "/packs.csv": "The same, for a spreadsheet.",
    "/nights": "Nights that were recorded.",
    "/nights/{day}": "What a night was.",
    "/nights/{day}/visitors": "How visitors walked that night.",
    "/nights/{day}/report.csv": "A night, one line a prop.",
    "/nights-compared": "Nights side by side.",
    "/findings": "What the sums say of the show file.",
    "/map": "The garden from above.",
    "/labels": "Labels for props and boards.",
    "/labels.pdf": "The same, to print.",
    "/before": "What to look at before opening.",
    "/walk": "Walk test: every sensor, nothing fires.",
    "/doors": "Open early, pause for the weather, close, a quarter of an hour more.",
    "/lines": "Spoken lines.",
    "/lines/work": "How far work on lines is.",
    "/line-sounds/{name}": "One line, to hear.",
    "/lines/{prop}/{behaviour}": "The lines of one behaviour, to keep or strike.",
    # tuning
    "/tune": "Props, to be tuned.",
    "/tune/{prop}": "What another rest of a prop would have given.",
    "/tune/{prop}/weighed": "The same, as far as it is.",
    "/tune-show": "Stagger, phases and all rests of the show.",
    "/tune-show/weighed": "The same, as far as it is.",
    "/tune-nights": "Settings of earlier nights, to put back.",
    "/rehearse": "Rehearse a night.",
    "/rehearse/outlook": "What to expect, as far as it is.",
    # planning
    "/first": "A first show, step by step.",
    "/plan": "The show file, table by table.",
    "/plan/export.toml": "The show file itself.",
    "/plan/history": "Every version of it.",
    "/plan/history/{version}": "What a version changed.",
    "/plan/import": "Take a file in.",
    "/plan/notes": "What was mended, and is to be.",
    "/plan/notes.csv": "The same, for a spreadsheet.",
    "/plan/{table}": "The rows of a table.",
    "/plan/{table}/{row}": "One row, to change.",
    # help
    "/help": "Shapes, words, where things are.",
    "/manual": "This manual.",
    "/manual/{chapter}": "One chapter of it.",
    # the house
    "/account": "You: where you are signed in.",
    "/release": "Release the show after a stop.",
    "/join-card": "A card by which helpers join.",
    "/keep": "Backups.",
    "/keep/{backup}": "One backup.",
    "/people": "People and tokens.",
    "/people/{person}": "One person.",
    "/logbook": "Who did what.",
    "/logbook.csv": "The same, for a spreadsheet.",
    "/logbook.json": "The same, for programs.",
    # programs
    "/schemas/{kind}.json": "The form of one payload of the wire.",
    "/asyncapi.json": "The wire, for programs.",
    "/connect": "Connect your own board, packet by packet.",
    "/connect.json": "The same, for programs.",
    "/docs": "The API, to read and try.",
    "/metrics": "Figures for a monitor.",
    "/api/v1/openapi.json": "The API, for programs.",
    "/api/v1/before": "What to look at before opening.",
    "/api/v1/show": "The show file, as TOML or JSON.",
    "/api/v1/props": "Every prop as it is now.",
    "/api/v1/props/{prop}": "One prop.",
    "/api/v1/decisions": "Decisions, with filters; CSV if asked for.",
    "/api/v1/motions": "Motions, likewise.",
    "/api/v1/health": "What boards told of themselves, likewise.",
    "/api/v1/reports": "What became of cues, likewise.",
    "/api/v1/alerts": "Alerts, likewise.",
    "/api/v1/live": "Events as they happen.",
    "/api/v1/nights/{day}/report": "What a night was.",
    "/api/v1/logbook": "Who did what.",
}
"""What is read, in words; what changes something has its word in the table of rights."""


class AddressRow(NamedTuple):
    method: str
    path: str
    who: str
    what: str


def addresses() -> dict[str, list[AddressRow]]:
    """Return every address by who may open it."""
    found: dict[str, list[AddressRow]] = {}
    for each in address_rows():
        found.setdefault(each.who, []).append(each)
    return found


def address_rows() -> list[AddressRow]:
    return [
        AddressRow(
            each.method,
            each.path,
            "anybody" if each.least is Role.NOBODY else each.least.word,
            READS.get(each.path, "") if each.method == "GET" else each.what,
        )
        for each in RIGHTS
    ]
