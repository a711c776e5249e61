"""People from where haunt runs: the first link, sign-in links and tokens, printed once."""

import socket
import time
from collections.abc import Iterator
from ipaddress import ip_address
from typing import Any, Final

from haunt.bootstrap.offline import open_store
from haunt.config import Config
from haunt.site.entrance import NewLink, new_token
from haunt.site.qr import qr_text
from haunt.site.sign_in import address_of_link
from haunt.store.lists import rfc3339
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader, Writer
from haunt.store.roster import Deed, PeopleRefused, Person, clean_name, key_of

HERE: Final = "command line"
ADDRESS: Final = "address"
SET_UP_HOURS: Final = 1.0
SIGN_IN_HOURS: Final = 24.0
NOWHERE: Final = {"4": "192.0.2.1", "6": "2001:db8::1"}
"""Addresses for documentation (RFC 5737, RFC 3849): nothing is sent to them."""


class Office:
    """People of one data folder, whether or not a server runs on it."""

    def __init__(self, config: Config) -> None:
        writing, reading = open_store(config)
        self._config, self._store = config, PeopleStore(writing, reading)
        self._address = Reader(reading).setting(ADDRESS)

    def people(self) -> list[dict[str, Any]]:
        return [
            {
                "id": each.id,
                "name": each.name,
                "role": each.role,
                "password": bool(each.password),
                "last_seen": _at(each.seen_ms),
            }
            for each in self._store.roster().people
        ]

    def add(self, name: str, role: str) -> str:
        """Return the sign-in link of a new person, who has no password yet."""
        wanted = NewLink("sign-in", role, SIGN_IN_HOURS)
        code, link = wanted.drawn(_now_ms(), HERE)  # refuses the role before anybody is made
        person = self._store.add_person(clean_name(name), role, "", _now_ms())
        self._store.add_link(link._replace(person=person))
        self._note("person added", f"{name}: {role}")
        return self._url("sign-in", code)

    def sign_in_link(self, name: str) -> str:
        found = self._named(name)
        code, link = NewLink("sign-in", found.role, SIGN_IN_HOURS, 1, found.id).drawn(
            _now_ms(), HERE
        )
        self._store.add_link(link)
        self._note("sign-in link made", found.name)
        return self._url("sign-in", code)

    def set_role(self, name: str, role: str) -> None:
        NewLink("join", role, SIGN_IN_HOURS).drawn(_now_ms(), HERE)  # refuses what is no role
        self._store.set_role(self._named(name).id, role)
        self._note("role", f"{name}: {role}")

    def remove(self, name: str) -> None:
        self._store.remove_person(self._named(name).id)
        self._note("person removed", name)

    def reset(self) -> str:
        """Return a new set-up link, whoever is owner; the one before stops working."""
        url = set_up_link(self._store, self._base(), if_ownerless=False)
        assert url is not None, "without the condition there is always one"
        self._note("set-up link made", "")
        return url

    def tokens(self) -> list[dict[str, Any]]:
        return [
            {
                "id": each.id,
                "prefix": each.prefix,
                "name": each.name,
                "role": each.role,
                "last_used": _at(each.seen_ms),
                "ends": _at(each.ends_ms),
            }
            for each in self._store.roster().tokens
        ]

    def add_token(self, name: str, role: str, days: int | None) -> str:
        secret, token = new_token(name, role, days, _now_ms(), HERE)
        self._store.add_token(token)
        self._note("token made", f"{name}, {role}")
        return secret

    def revoke_token(self, which: str) -> None:
        """Named by its id or by how it begins."""
        found = [
            each
            for each in self._store.roster().tokens
            if which == str(each.id) or (len(which) > 6 and each.prefix == which[:12])
        ]
        if len(found) != 1:
            raise PeopleRefused(
                f"{which!r} names {len(found)} tokens; see haunt tokens list", "token"
            )
        self._store.end_token(found[0].id)
        self._note("token ended", found[0].name)

    def _named(self, name: str) -> Person:
        for each in self._store.roster().people:
            if key_of(each.name) == key_of(name):
                return each
        raise PeopleRefused(f"There is nobody called {name}; see haunt people list.")

    def _note(self, what: str, about: str) -> None:
        self._store.write_deeds([Deed(_now_ms(), HERE, "", what, about[:128], "done")])

    def _url(self, kind: str, code: str) -> str:
        return address_of_link(self._base(), kind, code)

    def _base(self) -> str:
        """Where the server was last seen, else where it would be."""
        return self._address or base_url(self._config.listen_host, self._config.listen_port)


def set_up_link(store: PeopleStore, base: str, *, if_ownerless: bool = True) -> str | None:
    """Return a fresh set-up link, or None where there is an owner already."""
    code, link = NewLink("set-up", "owner", SET_UP_HOURS).drawn(_now_ms(), HERE)
    kept = store.set_up_link(link, if_ownerless=if_ownerless)
    return address_of_link(base, "set-up", code) if kept else None


def printed(url: str, title: str) -> Iterator[str]:
    """Yield the lines that show a link in a terminal."""
    yield f"haunt: {title}"
    yield f"       {url}"
    yield from qr_text(url).splitlines()


def base_url(host: str, port: int) -> str:
    """Return an address that a phone can use, for one that listens everywhere too."""
    shown = host
    try:
        address = ip_address(host)
        if address.is_unspecified:
            shown = _own_address(str(address.version)) or ("::1" if ":" in host else "127.0.0.1")
    except ValueError:
        pass
    return f"http://{f'[{shown}]' if ':' in shown else shown}:{port}"


def remember_address(writer: Writer, base: str) -> None:
    """So that the command line prints links that lead to this server."""
    writer.save_setting(ADDRESS, base)


def _own_address(version: str) -> str | None:
    """Return the address that this machine would go out by; asking sends nothing."""
    family = socket.AF_INET if version == "4" else socket.AF_INET6
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((NOWHERE[version], 9))
        except OSError:
            return None
        found: str = probe.getsockname()[0]
        return found


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _at(at_ms: int | None) -> str | None:
    return rfc3339(at_ms) if at_ms is not None else None
