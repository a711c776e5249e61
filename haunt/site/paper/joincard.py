"""The card by which helpers come: first into the network, then to the pages."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple

from segno.helpers import make_wifi_data

from haunt.live.errors import CrewMistake
from haunt.site.paper.ink import Ink, Paper, Room, Type
from haunt.site.paper.ports import Wifi

NAME_BYTES_MAX: Final = 32
PASSWORD_CHARS: Final = (8, 63)
"""IEEE 802.11: 32 octets of a name, 8 to 63 characters of a passphrase."""
SIDE, LEFT, TOP, WIDE = 62.0, 22.0, 26.0, 170.0
HEAD, STEP, WORDS = Type(30, 14, bold=True), Type(18, 11, bold=True), Type(13, 8)


class Step(NamedTuple):
    """One code to scan: what it is for, what it holds, and what it says in letters."""

    title: str
    code: str
    lines: tuple[str, ...]


def wifi_code(wifi: Wifi) -> str:
    """The text that phones know as a network: `WIFI:T:WPA;S:…;P:…;;`, reserved letters escaped."""
    if not wifi.password:
        return make_wifi_data(wifi.name, None, "nopass")
    return make_wifi_data(wifi.name, wifi.password, "WPA")


def checked(name: str, password: str) -> Wifi | None:
    """A network as it was typed; None without a name. Raises CrewMistake."""
    if not name:
        if password:
            raise CrewMistake("The password of which network? Its name is missing.", about="ssid")
        return None
    if len(name.encode()) > NAME_BYTES_MAX:
        raise CrewMistake(
            f"The name of a network has at most {NAME_BYTES_MAX} bytes.", about="ssid"
        )
    low, high = PASSWORD_CHARS
    if password and not low <= len(password) <= high:
        raise CrewMistake(
            f"A Wi-Fi password has {low} to {high} characters; leave it empty for an open network.",
            about="password",
        )
    return Wifi(name, password)


def steps_of(wifi: Wifi | None, address: str, role: str) -> list[Step]:
    """In the order in which they are scanned."""
    found = []
    if wifi is not None:
        secret = f"Password: {wifi.password}" if wifi.password else "Open: no password"
        found.append(Step("Join the Wi-Fi", wifi_code(wifi), (f"Network: {wifi.name}", secret)))
    what = f"Come in as {role}" if role else "Open the pages"
    return [*found, Step(what, address, (address.split("?", maxsplit=1)[0],))]


def card_pdf(show: str, steps: Sequence[Step], paper: Paper, made: datetime) -> bytes:
    said = "".join((show, *(each.title for each in steps), *(w for e in steps for w in e.lines)))
    ink = Ink(paper, f"Join card of {show}", made, said)
    ink.page()
    at = TOP + ink.text(Room(LEFT, TOP, WIDE, 26), show, HEAD) + 8
    for number, step in enumerate(steps, 1):
        ink.code(LEFT, at, SIDE, step.code)
        beside = Room(LEFT + SIDE + 6, at + 6, WIDE - SIDE - 6, SIDE - 10)
        down = ink.text(Room(beside.x, beside.y, beside.width, 20), f"{number}. {step.title}", STEP)
        for line in step.lines:
            down += 2 + ink.text(Room(beside.x, beside.y + down + 2, beside.width, 18), line, WORDS)
        at += SIDE + 12
    note = (
        "Stop show is on every page. It is not an emergency stop: if a person is caught or hurt, "
    )
    ink.text(Room(LEFT, at, WIDE, 20), f"{note}pull the prop's own switch and dump the air.", WORDS)
    return ink.done()
