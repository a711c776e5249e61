"""People from where haunt runs: the first link, sign-in links and tokens, printed once."""

from collections.abc import Iterator
from typing import Any, Final

from haunt.bootstrap.addresses import reachable
from haunt.bootstrap.clock import now_ms
from haunt.bootstrap.offline import HERE, open_store
from haunt.bootstrap.tls import Certificate, certificate_if_good, host_vouched_for
from haunt.config import Config
from haunt.site.invitations import NewLink, new_token
from haunt.site.qr import qr_text
from haunt.site.sign_in import address_of_link
from haunt.store.instants import rfc3339_or_none
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader
from haunt.store.roster import Deed, PeopleRefused, Person, clean_name, key_of
from haunt.store.writer import Writer

ADDRESS: Final = "address"
SET_UP_HOURS: Final = 1.0
SIGN_IN_HOURS: Final = 24.0


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
                "last_seen": rfc3339_or_none(each.seen_ms),
            }
            for each in self._store.roster().people
        ]

    def add(self, name: str, role: str) -> str:
        """Return the sign-in link of a new person, who has no password yet."""
        wanted = NewLink("sign-in", role, SIGN_IN_HOURS)
        code, link = wanted.drawn(now_ms(), HERE)  # refuses the role before anybody is made
        person = self._store.add_person(clean_name(name), role, "", now_ms())
        self._store.add_link(link._replace(person=person))
        self._note("person added", f"{name}: {role}")
        return self._url("sign-in", code)

    def sign_in_link(self, name: str) -> str:
        found = self._named(name)
        code, link = NewLink("sign-in", found.role, SIGN_IN_HOURS, 1, found.id).drawn(
            now_ms(), HERE
        )
        self._store.add_link(link)
        self._note("sign-in link made", found.name)
        return self._url("sign-in", code)

    def set_role(self, name: str, role: str) -> None:
        NewLink("join", role, SIGN_IN_HOURS).drawn(now_ms(), HERE)  # refuses what is no role
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
                "last_used": rfc3339_or_none(each.seen_ms),
                "ends": rfc3339_or_none(each.ends_ms),
            }
            for each in self._store.roster().tokens
        ]

    def add_token(self, name: str, role: str, days: int | None) -> str:
        secret, token = new_token(name, role, days, now_ms(), HERE)
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
        self._store.write_deeds([Deed(now_ms(), HERE, "", what, about[:128], "done")])

    def _url(self, kind: str, code: str) -> str:
        return address_of_link(self._base(), kind, code)

    def _base(self) -> str:
        """Where the server was last seen, else where it would be."""
        here = self._config
        return self._address or base_url(
            here.listen_host, here.listen_port, certificate_if_good(here)
        )


def set_up_link(store: PeopleStore, base: str, *, if_ownerless: bool = True) -> str | None:
    """Return a fresh set-up link, or None where there is an owner already.

    That is looked at first without a write: a start must not fail for a disk that is full.
    """
    if if_ownerless and any(each.role == "owner" for each in store.roster().people):
        return None
    code, link = NewLink("set-up", "owner", SET_UP_HOURS).drawn(now_ms(), HERE)
    kept = store.set_up_link(link, if_ownerless=if_ownerless)
    return address_of_link(base, "set-up", code) if kept else None


def printed(url: str, title: str) -> Iterator[str]:
    """Yield the lines that show a link in a terminal."""
    yield f"haunt: {title}"
    yield f"       {url}"
    yield from qr_text(url).splitlines()


def base_url(host: str, port: int, certificate: Certificate | None = None) -> str:
    """Return an address that a phone can use, for one that listens everywhere too.

    With a certificate it is https, by a name that the certificate vouches for where it has one.
    """
    shown = reachable(host)
    if certificate is not None:
        shown = host_vouched_for(shown, certificate)
    scheme = "http" if certificate is None else "https"
    return f"{scheme}://{f'[{shown}]' if ':' in shown else shown}:{port}"


def remember_address(writer: Writer, base: str) -> None:
    """So that the command line prints links that lead to this server."""
    writer.keep_if_possible(ADDRESS, base)
