"""People, their sessions, links and tokens as values, and the ways a change of them is refused.

No secret is in here: a session, link or token is known by the hash of its secret alone.
"""

from hashlib import sha256
from typing import Final, NamedTuple
from unicodedata import category, normalize

NAME_MAX: Final = 32


class PeopleRefused(Exception):  # noqa: N818 - the word says what happened
    """A change of people that cannot be: why, and what to do."""

    def __init__(self, what: str, about: str = "name") -> None:
        super().__init__(what)
        self.what, self.about = what, about


class LinkSpent(PeopleRefused):
    """A link that was used, has ended, was taken back, or never was."""

    def __init__(self) -> None:
        super().__init__("This link was used, has ended or was taken back.", "code")


class Person(NamedTuple):
    """`password` is an argon2 hash; empty for who has none."""

    id: int
    name: str
    role: str
    password: str
    since_ms: int
    seen_ms: int | None


class Session(NamedTuple):
    id: int
    hash: str
    person: int
    since_ms: int
    seen_ms: int
    address: str
    device: str


class Link(NamedTuple):
    """`kind` is set-up (makes an owner), join (makes a person), or sign-in (of one person)."""

    id: int
    hash: str
    kind: str
    role: str
    person: int | None
    since_ms: int
    ends_ms: int
    uses_left: int
    by: str


class Token(NamedTuple):
    """A program's key. `prefix` is its first characters, to tell it from others."""

    id: int
    hash: str
    prefix: str
    name: str
    role: str
    since_ms: int
    ends_ms: int | None
    seen_ms: int | None
    by: str


class Roster(NamedTuple):
    """All of it at one moment; `version` differs after every change but that of `seen_ms`."""

    version: str
    people: tuple[Person, ...]
    sessions: tuple[Session, ...]
    links: tuple[Link, ...]
    tokens: tuple[Token, ...]


EMPTY: Final = Roster("", (), (), (), ())


class Newcomer(NamedTuple):
    """A person to be made by a link."""

    name: str
    password: str


class Opening(NamedTuple):
    """A session to be opened."""

    hash: str
    at_ms: int
    address: str
    device: str


class Deed(NamedTuple):
    """What somebody did: one line of the logbook."""

    at_ms: int
    who: str
    address: str
    what: str
    about: str
    result: str


def hash_of(secret: str) -> str:
    """Secrets are 128 random bits or more, so a plain hash is enough; passwords are not these."""
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def clean_name(text: str) -> str:
    """Return a name as it is kept. Raises PeopleRefused."""
    name = " ".join(normalize("NFKC", text).split())
    if not name or len(name) > NAME_MAX or any(category(each)[0] == "C" for each in name):
        raise PeopleRefused(f"A name has 1 to {NAME_MAX} letters, digits or signs.")
    return name


def key_of(name: str) -> str:
    """Names that differ in case only are one name."""
    return normalize("NFKC", name).casefold()
