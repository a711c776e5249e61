"""Who runs the show, of several servers on one database: a lock, and two rows of the settings.

The lock is PostgreSQL's, held by a line of its own. The row `owner` is renewed twice a second and
says how long ago by the database's clock alone; the row `fence` has the epoch and the token of the
last who took over, and nobody else's journal is written (`store/ledger.py`). No consensus of ours.
Whoever stands by says whether the broker answers it: an owner that hears no broker gives way.
"""

import json
import select
import socket
from collections.abc import Callable
from contextlib import suppress
from time import CLOCK_BOOTTIME, clock_gettime
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from haunt.store.engines import parsed
from haunt.store.postgres import LINE
from haunt.store.refusal import StoreRefused

if TYPE_CHECKING:  # its driver is an extra: a show on a file has none
    from haunt.store.patience import PatientConnection

LOCK: Final = 4_842_755_403
"""Any number that is ours; advisory locks belong to one database, which has one show."""
RENEW_S: Final = 0.5
LEASE_S: Final = 2.5
"""An owner that was not confirmed for so long says nothing more, while somebody could take over."""
TAKE_MS: Final = 3500
"""Who was silent for so long by the database's clock has no lease any more, whatever it thinks."""
FORCE_MS: Final = 15_000
"""The same for an owner that had not promised to be silent: it had not heard of a standby yet."""
STANDBY_MS: Final = 10_000
REACHES_MS: Final = 3000
"""So fresh must be what a standby says of the broker."""
STEP: Final = 100
"""More than anybody can press stop within a lease."""
ANSWER_S: Final = 1.5
NAMED: Final = "haunt-"
CHANNEL: Final = "haunt_show_is_free"
"""Of one database, as the lock is. Who misses the word looks all the same, twice a second."""

NOW: Final = "(extract(epoch FROM clock_timestamp()) * 1000)::bigint"
KEEP: Final = (
    "INSERT INTO settings (key, value) VALUES (%s, %s) "
    "ON CONFLICT (key) DO UPDATE SET value = excluded.value"
)
LOOK: Final = (
    f"SELECT key, value, {NOW} FROM settings "  # noqa: S608 - our own words
    "WHERE key IN ('owner', 'standby', 'fence')"
)
END_OWN: Final = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE pid = %s AND application_name = %s"
)
END_OTHERS: Final = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = %s "
    "AND pid <> pg_backend_pid() AND datname = current_database()"
)


class Standing(NamedTuple):
    """One server as the database knows it. `age_ms` is since it was last heard."""

    token: str
    address: str
    age_ms: int
    guarded: bool = False
    place: str = ""
    reaches: bool = False


class Fence(NamedTuple):
    epoch: int
    token: str

    @property
    def text(self) -> str:
        return f"{self.epoch} {self.token}"


class Seen(NamedTuple):
    owner: Standing | None
    standby: Standing | None
    fence: Fence


class Lost(StoreRefused):
    """Somebody else has taken over."""


class Ownership:
    """Steps are one thread's; `holds`, `owns` and what was seen may be asked from any."""

    def __init__(
        self,
        url: str,
        address: str,
        place: str = "",
        token: str = "",
        now_s: Callable[[], float] = lambda: clock_gettime(CLOCK_BOOTTIME),
    ) -> None:
        """`now_s` goes on while this process is frozen, and while the machine sleeps.

        `place` names a data folder that its server has alone: an owner of the same is dead.
        """
        self._url, self._address, self._now_s = url, address, now_s
        self._token = token or str(LINE["application_name"]).removeprefix(NAMED)
        self._place = place
        self._line: PatientConnection | None = None
        self._pid = 0
        self._confirmed_s = float("-inf")
        self._guarded = self._told_guarded = False
        self._mine: Fence | None = None
        self.reaches: Callable[[], bool] = lambda: False
        """Whether the broker answers here: asked while this server stands by."""
        self.seen = Seen(None, None, Fence(0, ""))

    @property
    def owns(self) -> bool:
        return self._mine is not None

    @property
    def fence(self) -> Fence:
        assert self._mine is not None, "only an owner is asked"
        return self._mine

    @property
    def is_guarded(self) -> bool:
        return self._guarded

    def holds(self) -> bool:
        """Whether this server may speak at this very moment."""
        if self._mine is None:
            return False
        return not self._guarded or self._now_s() - self._confirmed_s < LEASE_S

    def heir(self) -> Standing | None:
        """Return another server that stands by and reaches the broker, by what was seen last."""
        standby = self.seen.standby
        if standby is None or standby.token == self._token or not standby.reaches:
            return None
        return standby if standby.age_ms < REACHES_MS else None

    def step(self) -> None:
        """Renew what is ours, or look whether it can be taken. Raises Lost, and psycopg.Error."""
        import psycopg  # noqa: PLC0415 - an extra

        try:
            line = self._line or self._connect()
            if self._mine is not None:
                self._renew(line, self._mine)
            else:
                self._wait(line)
        except psycopg.Error:
            self._drop()
            raise

    def pause(self, until: socket.socket, pause_s: float = RENEW_S) -> None:
        """Between two steps: shorter where `until` can be read, or a standby is told to look."""
        heard, line = select.poll(), self._line  # not `select`: a house full of phones has numbers
        heard.register(until, select.POLLIN)  # above those that it can take
        if line is not None and not line.closed and self._mine is None:
            heard.register(line, select.POLLIN)
        heard.poll(pause_s * 1000)

    def release(self) -> None:
        """An orderly end: whoever stands by is told, and need not wait."""
        import psycopg  # noqa: PLC0415 - an extra

        with suppress(psycopg.Error):
            if self._line is not None and self._mine is not None:
                self._keep(self._line, "owner", age=TAKE_MS * 2)
                # Before the word, not by the end of this line: it would be too late for who heard.
                self._ask(self._line, "SELECT pg_advisory_unlock(%s)", LOCK)
                self._line.execute(f"NOTIFY {CHANNEL}".encode())
        self._mine = None
        self._drop()

    # --- an owner

    def _renew(self, line: "PatientConnection", mine: Fence) -> None:
        sent_s = self._now_s()
        if not self._has_lock(line):
            self._look(line)
            self._refuse_lost(mine)
            return  # our own earlier line has it still, or somebody is about to take over
        # We have the lock: whoever would take it ends this line first, and what follows fails.
        self._look(line)
        self._refuse_lost(mine)
        standby = self.seen.standby
        told = standby is not None and standby.age_ms < STANDBY_MS
        # Kept before it is promised, and until it is taken back.
        self._guarded = self._told_guarded or told
        self._keep(line, "owner", guarded=told)
        self._guarded = self._told_guarded = told
        self._confirmed_s = sent_s

    def _refuse_lost(self, mine: Fence) -> None:
        if self.seen.fence != mine:
            self._mine = None
            self._drop()
            raise Lost("another server runs the show now")

    def _has_lock(self, line: "PatientConnection") -> bool:
        if self._pid == line.info.backend_pid:
            return True
        earlier, found = self._pid, self._ask(line, "SELECT pg_try_advisory_lock(%s)", LOCK)
        if found[0][0]:
            self._pid = line.info.backend_pid
        elif earlier:
            self._ask(line, END_OWN, earlier, _named(self._token))
        return bool(found[0][0])

    # --- a standby

    def _wait(self, line: "PatientConnection") -> None:
        self._look(line)
        owner = self.seen.owner
        if owner is not None and self._lives(owner):
            self._keep(line, "standby")
            return
        if self.heir() is not None and not self.reaches():
            return  # the show was left to it, for it alone reaches the broker
        [[is_free]] = self._ask(line, "SELECT pg_try_advisory_lock(%s)", LOCK)
        if not is_free:
            self._keep(line, "standby")
            if owner is not None and owner.age_ms > (TAKE_MS if owner.guarded else FORCE_MS):
                self._ask(line, END_OTHERS, _named(owner.token))
            return
        self._take(line)

    def _lives(self, owner: Standing) -> bool:
        """Whether it may still speak, for all that can be known here."""
        if owner.token == self._token or (self._place and owner.place == self._place):
            return False
        return owner.age_ms < TAKE_MS

    def _take(self, line: "PatientConnection") -> None:
        """Looked at again under the lock: an owner may have come and gone since."""
        self._look(line)
        owner = self.seen.owner
        if owner is not None and owner.token != self._token:
            if self._lives(owner):
                self._ask(line, "SELECT pg_advisory_unlock(%s)", LOCK)
                return
            # What it began and did not end would hold up the fence, and be written after it.
            self._ask(line, END_OTHERS, _named(owner.token))
        sent_s = self._now_s()
        raised = Fence(self.seen.fence.epoch + STEP, self._token)
        with line.transaction():
            line.execute(KEEP.encode(), ("fence", raised.text))
            line.execute("DELETE FROM settings WHERE key = 'standby'")
            self._keep(line, "owner", guarded=True)
        self._pid, self._confirmed_s = line.info.backend_pid, sent_s
        self._guarded = self._told_guarded = True
        self.seen = self.seen._replace(fence=raised)
        self._mine = raised

    # --- the line

    def _connect(self) -> "PatientConnection":
        from haunt.store.patience import PatientConnection  # noqa: PLC0415 - an extra

        at = parsed(self._url)
        line = PatientConnection.connect(
            host=at.host,
            port=at.port,
            user=at.username,
            password=at.password,
            dbname=at.database,
            autocommit=True,
            **{
                **LINE,
                **dict(at.query),
                "connect_timeout": 2,
                "application_name": _named(self._token),
            },
        )
        line.patience_s = ANSWER_S
        line.execute("SET statement_timeout = '1200ms'")
        line.execute("SET lock_timeout = '1s'")
        # Should we vanish, the server lets the lock go by itself as well.
        line.execute("SET tcp_keepalives_idle = 2")
        line.execute("SET tcp_keepalives_interval = 1")
        line.execute("SET tcp_keepalives_count = 3")
        line.execute("SET tcp_user_timeout = 5000")
        line.add_notify_handler(lambda _word: None)  # that the line can be read is enough
        line.execute(f"LISTEN {CHANNEL}".encode())
        self._line = line
        return line

    def _drop(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            line.pgconn.finish()

    def _ask(self, line: "PatientConnection", query: str, *words: object) -> list[tuple[Any, ...]]:
        return line.execute(query.encode(), words).fetchall()

    def _keep(
        self, line: "PatientConnection", key: str, *, guarded: bool = False, age: int = 0
    ) -> None:
        [[now_ms]] = self._ask(line, f"SELECT {NOW}")
        told = {
            "token": self._token,
            "address": self._address,
            "at_ms": now_ms - age,
            "guarded": guarded,
            "place": self._place,
            "reaches": key == "standby" and self.reaches(),
        }
        line.execute(KEEP.encode(), (key, json.dumps(told)))

    def _look(self, line: "PatientConnection") -> None:
        self.seen = seen_in(self._ask(line, LOOK))


def seen_in(rows: list[tuple[Any, ...]]) -> Seen:
    found = {key: (value, now_ms) for key, value, now_ms in rows}
    epoch, _, token = found.get("fence", ("0 ", 0))[0].partition(" ")
    fence = Fence(int(epoch), token)
    return Seen(_standing(found.get("owner")), _standing(found.get("standby")), fence)


def _standing(row: tuple[str, int] | None) -> Standing | None:
    if row is None:
        return None
    told = json.loads(row[0])
    age_ms = row[1] - told["at_ms"]
    place, reaches = str(told.get("place", "")), bool(told.get("reaches"))
    guarded = bool(told.get("guarded"))
    return Standing(told["token"], told["address"], age_ms, guarded, place, reaches)


def _named(token: str) -> str:
    return NAMED + token
