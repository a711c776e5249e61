"""Keeps a data folder: one server at a time, a database that works, a backup every hour.

It never backs up while the disk is low, and says so; it never restores under a running server.
"""

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from haunt.bootstrap import clock
from haunt.bootstrap.folder import alone
from haunt.bootstrap.mending import FRESH, make_ready, restore, said_at, tried
from haunt.bootstrap.offline import BACKUPS, HERE, opened_store
from haunt.config import Config
from haunt.mqtt.credentials import is_sound, write_private
from haunt.store import backup, rescue
from haunt.store.backup import Backup, BackupRefused, Why
from haunt.store.engines import database_file
from haunt.store.people import PeopleStore
from haunt.store.refusal import StoreRefused
from haunt.store.roster import Deed
from haunt.store.thinning import thin
from haunt.store.transfer import export

EVERY_S = 3600.0
FIRST_AFTER_S = 20.0
LOOK_EVERY_S = 60.0
CHECKED_S = 600.0
NEXT_START = "restore-at-start"
TRIED = "tried.json"
DEED_MAX = 160
CREDENTIALS = "credentials.json"
SMALL_FILES = ("haunt.toml", f"broker/{CREDENTIALS}")
CERTIFICATES = "certs"

Say = Callable[[str], None]


class Kept(NamedTuple):
    """How it stands, for pages: `trouble` is empty while backups are made as they should be."""

    last: Backup | None
    trouble: str
    words: tuple[str, ...]


class Keeping:
    """The thread that makes scheduled backups. `status` may be called from any thread."""

    def __init__(self, config: Config, say: Say, words: Sequence[str] = ()) -> None:
        self._config, self._say, self._words = config, say, tuple(words)
        self._ending = threading.Event()
        self._trouble = ""
        self._looked_through = False
        self._thread = threading.Thread(target=self._run, name="keeping", daemon=True)

    def start(self) -> None:
        if database_file(self._config.data, self._config.database) is not None:
            self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def status(self) -> Kept:
        present = backups(self._config)
        return Kept(present[0] if present else None, self._trouble, self._words)

    def turn(self, now_ms: int) -> Backup | None:
        """Make a backup where one is due; what stands in the way is said once."""
        made, trouble = None, ""
        try:
            if is_due(backups(self._config), now_ms):
                made = back_up(self._config, "scheduled", now_ms)
            if not self._looked_through:
                self._look_through()
        except (BackupRefused, StoreRefused, OSError) as refused:
            trouble = str(refused)
        if trouble and trouble != self._trouble:
            self._say(f"haunt: {trouble}")
        self._trouble = trouble
        return made

    def _look_through(self) -> None:
        """Once a run and without haste: a start has no time for all of a big database."""
        self._looked_through = True
        database = database_file(self._config.data, self._config.database)
        found = rescue.examine(database, CHECKED_S) if database is not None else None
        if found is not None and found.trouble:
            raise BackupRefused(
                f"the database is damaged: {found.trouble}. Start haunt again at a quiet moment: "
                "it sets the file aside and takes the newest backup"
            )

    def _run(self) -> None:
        pause_s = FIRST_AFTER_S  # the start and the first boards have the disk to themselves
        while not self._ending.wait(pause_s):
            self.turn(clock.now_ms())
            pause_s = LOOK_EVERY_S


def is_due(present: Sequence[Backup], now_ms: int) -> bool:
    """A backup from the future means that the clock was set back: it says nothing of now."""
    made = [each.at_ms for each in present if each.why == "scheduled" and each.at_ms <= now_ms]
    return not made or now_ms - max(made) >= EVERY_S * 1000


@contextmanager
def keep(config: Config, say: Say) -> Iterator[Keeping]:
    """Have the folder alone, its database ready to use, and backups made until the end.

    Before the database is opened. Raises StoreRefused.
    """
    with alone(config.data):
        words = [*_asked_for(config, say), *make_ready(config, say)]
        words += _credentials_put_back(config, say)
        keeping = Keeping(config, say, words)
        keeping.start()
        try:
            yield keeping
        finally:
            keeping.stop()


# --- what the command line and pages ask for


def backups(config: Config) -> list[Backup]:
    """Return them newest first."""
    return backup.found_in(config.data / BACKUPS)


def back_up(config: Config, why: Why = "hand", now_ms: int | None = None) -> Backup:
    """Make one now, whether or not a server runs, and thin out the rest. Raises BackupRefused."""
    database = database_file(config.data, config.database)
    at_ms = clock.now_ms() if now_ms is None else now_ms
    if database is None:
        return _copied(config, why, at_ms)
    if not database.exists():
        raise BackupRefused(f"{config.data} holds no database yet")
    folder = config.data / BACKUPS
    also = [config.data / each for each in SMALL_FILES]
    also += sorted((config.data / CERTIFICATES).glob("*.pem"))
    made = backup.take(database, folder, at_ms, why, also=also)
    thin(folder, keep=made.name)
    return made


def _copied(config: Config, why: Why, now_ms: int) -> Backup:
    """Of a database that is no file: a copy that is one."""
    with opened_store(config) as (writing, _reading):
        made = export(writing, config.data / BACKUPS, now_ms, why)
    thin(config.data / BACKUPS, keep=made.name)
    return made


def chosen(config: Config, name: str, source: Path | None = None) -> Backup:
    """Return the backup of this name, or the newest for `latest`. Raises BackupRefused."""
    folder = source if source is not None else config.data / BACKUPS
    if name != "latest":
        return backup.named(folder, name)
    found = backup.found_in(folder)
    if not found:
        raise BackupRefused(f"{folder} holds no backup")
    return found[0]


def shown(made: Backup) -> dict[str, object]:
    """Return it for programs and pages."""
    return {
        "name": made.name,
        "path": str(made.path),
        "at_ms": made.at_ms,
        "why": made.why,
        "size_bytes": made.size_bytes,
        "revision": made.revision,
        "rows": made.rows,
    }


def check_backup(config: Config, source: Backup) -> int:
    """Start from a copy of it, as a restore would; return its last number. Raises BackupRefused."""
    config.data.mkdir(parents=True, exist_ok=True)
    fresh = config.data / f"checked.db{FRESH}"
    try:
        number = tried(source, fresh)
    finally:
        fresh.unlink(missing_ok=True)
    with suppress(OSError):  # a mark is worth no refusal: the folder may be one of a read-only disk
        (source.path / TRIED).write_text(json.dumps({"at_ms": clock.now_ms(), "number": number}))
    return number


def tried_ms(source: Backup) -> int | None:
    """Return when a start from it last worked, or None where that was never tried."""
    try:
        return int(json.loads((source.path / TRIED).read_text())["at_ms"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def restore_now(config: Config, source: Backup) -> str:
    """For a server that is not running. Return what was done; raises BackupRefused."""
    try:
        with alone(config.data):
            said = restore(config, source)
            _put_back(config, source)
            return said
    except StoreRefused as refused:
        raise BackupRefused(str(refused)) from refused


def restore_at_start(config: Config, name: str) -> str:
    """Try the backup now, put it in place at the next start. Raises BackupRefused."""
    source = chosen(config, name)
    check_backup(config, source)
    put_down(config, source)
    return f"backup {source.name} of {said_at(source.at_ms)} is restored at the next start"


def put_down(config: Config, source: Backup, by: str = HERE) -> None:
    """Note for the next start that it is to restore this, and who wants it."""
    write_private(config.data / NEXT_START, f"{source.name}\n{by}\n")


def _asked_for(config: Config, say: Say) -> list[str]:
    """Restore what was asked for before; a wish that cannot be met is said and forgotten."""
    wish = config.data / NEXT_START
    try:
        name, _, by = wish.read_text().strip().partition("\n")
    except FileNotFoundError:
        return []
    wish.unlink()
    try:
        rescue.finish_swap(config.data)
        words = restore(config, chosen(config, name))
        result = "done"
    except BackupRefused as refused:
        words = f"the restore that was asked for was not done: {refused}"
        result = f"refused: {refused}"
    say(f"haunt: {words}")
    _note(config, Deed(clock.now_ms(), by or HERE, "", "restore", name, result[:DEED_MAX]))
    return [words]


def _note(config: Config, deed: Deed) -> None:
    """In the database that counts from now on: what the one before was told went with it."""
    with opened_store(config) as engines:
        PeopleStore(*engines).write_deeds([deed])


def _credentials_put_back(config: Config, say: Say) -> list[str]:
    """Without them every board would have to be given a new password."""
    broker = config.data / "broker"
    if is_sound(broker) or not (broker / CREDENTIALS).exists():
        return []
    for each in backups(config):
        if _put_back(config, each):
            words = (
                f"the boards' credentials were damaged; they were put back as of "
                f"{said_at(each.at_ms)}. Boards added since then need a new one"
            )
            say(f"haunt: {words}")
            return [words]
    return []


def _put_back(config: Config, source: Backup) -> bool:
    """Take the credentials of a backup where there are none that can be read."""
    broker, kept = config.data / "broker", source.path / CREDENTIALS
    if is_sound(broker) or not kept.exists():
        return False
    broker.mkdir(mode=0o700, exist_ok=True)
    damaged = broker / CREDENTIALS
    if damaged.exists():
        damaged.replace(broker / f"{CREDENTIALS}.damaged")
    write_private(damaged, kept.read_text(encoding="utf-8"))
    return True
