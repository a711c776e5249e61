"""A real server for the HTTP fuzz: callers of every kind, what is never to be told, its health."""

import json
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from http.client import HTTPException, HTTPResponse
from pathlib import Path
from select import select
from socket import SHUT_WR, create_connection
from typing import Final

from haunt.bootstrap.offline import open_store
from haunt.config import read_config
from haunt.site.doors import form_token_of
from haunt.site.invitations import TOKEN_PREFIX
from haunt.site.rights import Role
from haunt.store.people import PeopleStore
from haunt.store.roster import Opening, PeopleRefused, Token, hash_of
from tests.system.house import ROOT, SHOW, Server

HANG_S: Final = 15.0
"""Far beyond what any answer takes: what is not there by then never comes."""
RAW_S: Final = 0.1
LOOK_S: Final = 0.6  # the server looks twice a second for what others have changed
READ_MAX: Final = 4 << 20
HASHES: Final = {"people": "password", "sessions": "hash", "tokens": "hash", "links": "hash"}
ROLES: Final = ("watch", "crew", "owner")


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as bytes. `caller` is who sends it by what it shows; `why` names the trick."""

    method: str
    target: str
    raw: bytes
    caller: "Caller"
    trick: str = "plain"


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back; status 0 where the line was closed without an answer."""

    status: int
    headers: dict[str, str]
    body: bytes
    took_s: float


@dataclass(frozen=True, slots=True)
class Caller:
    """What a request shows of who sends it, and which role that is worth."""

    name: str
    role: Role = Role.NOBODY
    bearer: str = ""
    cookie: str = ""
    form_token: str = ""

    @property
    def is_program(self) -> bool:
        return bool(self.bearer)


@dataclass(slots=True)
class FuzzHouse:
    server: Server
    callers: tuple[Caller, ...] = ()
    secrets: frozenset[str] = frozenset()

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.server.port}"

    def mend(self) -> None:
        """Put callers back whom the run has removed, signed out or given another role."""
        store = self._store()
        before = store.roster().version
        there = {each.name: each for each in store.roster().people}
        for role in ROLES:
            known = there.pop(f"the-{role}", None)
            if known is None:
                person = store.add_person(f"the-{role}", role, "x", _now_ms())
            else:
                person = known.id
                if known.role != role:
                    store.set_role(person, role)
            self._let_in(store, role, person)
        for each in there.values():  # who came in by a link that the fuzz made
            with suppress(PeopleRefused):  # the last owner, for a moment
                store.remove_person(each.id)
        if store.roster().version != before:
            time.sleep(LOOK_S)

    def _let_in(self, store: PeopleStore, role: str, person: int) -> None:
        roster = store.roster()
        if hash_of(_secret(role)) not in {each.hash for each in roster.sessions}:
            opening = Opening(hash_of(_secret(role)), _now_ms(), "127.0.0.1", "fuzz")
            store.open_session(person, opening)
        token = _token(role)
        if hash_of(token) not in {each.hash for each in roster.tokens}:
            made = Token(0, hash_of(token), token[:12], "fuzz", role, _now_ms(), None, None, "")
            store.add_token(made)

    def answer(self, asked: Asked) -> Answer:
        """Raise TimeoutError where nothing comes."""
        began = time.monotonic()
        with create_connection(("127.0.0.1", self.server.port), HANG_S) as line:
            with suppress(BrokenPipeError, ConnectionResetError):  # it answered before the end
                line.sendall(asked.raw)
                if asked.trick.startswith("raw") and not select([line], [], [], RAW_S)[0]:
                    line.shutdown(SHUT_WR)  # half a request: nothing more comes
            found = HTTPResponse(line, method=asked.method)
            try:
                found.begin()
                headers = {name.lower(): value for name, value in found.getheaders()}
                is_stream = headers.get("content-type", "").startswith("text/event-stream")
                body = b"" if is_stream else found.read(READ_MAX)
            except (HTTPException, ConnectionError, ValueError):
                return Answer(0, {}, b"", time.monotonic() - began)
            finally:
                found.close()
        return Answer(found.status, headers, body, time.monotonic() - began)

    def is_alive(self) -> bool:
        process = self.server.process
        return process is not None and process.poll() is None

    def memory_kb(self) -> int:
        assert self.server.process is not None
        status = Path(f"/proc/{self.server.process.pid}/status").read_text()
        return next(int(line.split()[1]) for line in status.splitlines() if "VmRSS" in line)

    def look_for_secrets(self) -> None:
        """Collect what no answer may have: hashes, the broker's own password, our paths."""
        data = self.server.data
        with closing(sqlite3.connect(data / "haunt.db")) as database:
            found = {
                str(row[0])
                for table, column in HASHES.items()
                for row in database.execute(f"SELECT {column} FROM {table}")
            }
        kept = json.loads((data / "broker" / "credentials.json").read_text())
        found |= {kept["controller"], *kept["hashes"].values(), str(data.parent), str(ROOT)}
        self.secrets = self.secrets | {each for each in found if len(each) > 8}

    def _store(self) -> PeopleStore:
        return PeopleStore(*open_store(read_config(self.server.data, {}, {})))


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _secret(role: str) -> str:
    return f"a-fuzzed-session-of-{role}-{'s' * 24}"


def _token(role: str) -> str:
    return f"{TOKEN_PREFIX}fuzzed-token-of-{role}-{'t' * 24}"


def callers() -> tuple[Caller, ...]:
    """Everybody by token and by session, and those who show what is worth nothing."""
    found = [Caller("nobody")]
    for role in ROLES:
        rank = Role[role.upper()]
        found.append(Caller(f"program of {role}", rank, bearer=_token(role)))
        secret = _secret(role)
        token = form_token_of(secret)
        found.append(Caller(f"{role} at a page", rank, cookie=secret, form_token=token))
    owner = _secret("owner")
    found += [
        Caller("a wrong token", bearer=_token("owner")[:-1] + "x"),
        Caller("a wrong cookie", cookie="a-session-that-was-never-" + "x" * 24),
        Caller("an odd cookie", cookie='"\\377\\ufeff;,= ' + "%00"),
        # A session without what only our own pages know: a form of somebody else's.
        Caller("an owner lured", Role.OWNER, cookie=owner),
        Caller("an owner lured with a guess", Role.OWNER, cookie=owner, form_token="0" * 64),
    ]
    return tuple(found)


@contextmanager
def fuzz_house() -> Iterator[FuzzHouse]:
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        (folder / "data").mkdir()
        (folder / "show.toml").write_text(SHOW)
        server = Server(folder / "data", folder / "show.toml", token=_token("owner"))
        house = FuzzHouse(server, callers())
        house.mend()
        try:
            server.start()
            house.look_for_secrets()
            yield house
        finally:
            if house.is_alive():
                server.end()


def said(house: FuzzHouse) -> str:
    """What the server wrote down: a trace there is a fault, whatever the answer was."""
    return (house.server.data.parent / "server.log").read_text(errors="replace")
