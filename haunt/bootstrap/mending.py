"""What a start and a restore do to a data folder's database: try it out, mend it, put one back.

Whoever calls has the folder alone. After any loss the show is left stopped: a hold or a lock-out
may be among what was lost, and somebody may stand in a prop.
"""

import json
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from haunt.bootstrap.clock import now_ms, resumed_mono_ms
from haunt.bootstrap.kept import remember
from haunt.bootstrap.offline import BACKUPS, opened_store
from haunt.config import Config
from haunt.core.calendar import utc
from haunt.core.events import Stopped
from haunt.core.show import Show
from haunt.live.ports import ActionRow, AlertRow, Record
from haunt.live.prepare import prepare
from haunt.store import backup, rescue
from haunt.store.backup import Backup, BackupRefused
from haunt.store.engines import Engine, database_file, opened
from haunt.store.ledger import Ledger
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, revision
from haunt.store.schema import upgrade
from haunt.store.sqlitefile import DATABASE
from haunt.store.writer import Writer
from haunt.wire.eventcodec import decode_event
from haunt.wire.showfile import read_show

FRESH = ".fresh"
WORDS_MAX = 2000
ALERT = "journal database"
TODO = "Look at every prop, then release the show."

Say = Callable[[str], None]


def try_out(data: Path, url: str = "") -> int:
    """Do what a start does with what is kept, and return the last number.

    Raises whatever stands in the way.
    """
    with opened(data, url) as (writing, reading):
        upgrade(writing)
        reader = Reader(reading)
        reader.look_into_all()
        stored = reader.show()
        if stored is None:
            if reader.last_number():
                raise ValueError("it has a journal and no show")
            return 0
        read = read_show(stored[1], f"show version {stored[0]}")
        seed = int(reader.setting("seed") or 0)
        json.loads(reader.setting("clocks") or "[]")
        return remember(reader, prepare(read.show, seed), read, seed).number


# --- at a start


def make_ready(config: Config, say: Say) -> list[str]:
    """Leave a database that a start can use; return in words what had to be done.

    A newer program's database and another program's file are left alone: the start refuses them.
    Raises StoreRefused where nothing can be put in its place.
    """
    database = database_file(config.data, config.database)
    if database is None:
        return []
    rescue.finish_swap(config.data)
    _clear({config.data, database.parent})
    if not database.exists():
        return []
    words = _mended(config, database)
    for each in words:
        say(f"haunt: {each}")
    return words


def _clear(folders: set[Path]) -> None:
    """Remove what a restore left that was cut short."""
    for folder in folders:
        for left in folder.glob(f"*{FRESH}*"):
            if left.is_dir():
                shutil.rmtree(left)
            else:
                left.unlink()


def _mended(config: Config, database: Path) -> list[str]:
    log = rescue.log_damage(database)
    if log:
        aside = _copied_aside(config, database)
    found = rescue.examine(database)
    if found.trouble:
        return [_replaced(config, database, found.trouble)]
    if _is_foreign(config):
        return []
    try:
        try_out(config.data, config.database)
    except StoreRefused:
        raise
    except Exception as fault:  # noqa: BLE001 - whatever it is, a start would fall over it too
        return [_patched(config, database, fault)]
    if not log:
        return []
    return [_stopped_with(config, f"{log}; the files as they were are in {aside}")]


def _is_foreign(config: Config) -> bool:
    with opened(config.data, config.database) as (writing, _reading):
        found = revision(writing)
    return found is None or found > HEAD


def _copied_aside(config: Config, database: Path) -> str:
    try:
        return str(rescue.set_aside(config.data, database, now_ms()))
    except OSError as fault:  # a full disk: the start matters more
        return f"nowhere ({fault.strerror})"


def _patched(config: Config, database: Path, fault: Exception) -> str:
    """The file is sound and the state in it is not: go back to where it can be rebuilt."""
    aside = _copied_aside(config, database)
    dropped: list[int] = []
    is_left = True
    while is_left:
        dropped += rescue.drop_unreadable_events(database, _is_readable)
        with suppress(Exception):
            try_out(config.data, config.database)
            lost = f"{len(dropped)} events could not be read" if dropped else "no event was lost"
            return _stopped_with(
                config,
                f"the state could not be rebuilt ({fault}); it was from an earlier snapshot: "
                f"{lost}. The database as it was is in {aside}",
            )
        is_left = rescue.drop_newest_snapshot(database)
    return _replaced(config, database, f"the state in it cannot be rebuilt: {fault}")


def _is_readable(kind: str, mono_ms: int, wall_ms: int, body: str) -> bool:
    # A show that is not at hand is no fault of the event.
    with suppress(Exception):
        decode_event(kind, mono_ms, wall_ms, body, lambda _version: _NO_SHOW)
        return True
    return False


_NO_SHOW = Show("none", "UTC")


def _replaced(config: Config, database: Path, trouble: str) -> str:
    """Put the newest backup that works in its place, or the show alone."""
    fresh = database.with_name(database.name + FRESH)
    aside = rescue.new_aside(config.data, now_ms())
    for each in backup.found_in(config.data / BACKUPS):
        words = stopped_words(
            f"the database was damaged ({trouble}) and set aside in {aside}; restored is the "
            f"backup {each.name}. What happened after {said_at(each.at_ms)} is missing here; the "
            "boards' own counters tell how many motions that were"
        )
        with suppress(BackupRefused):
            tried(each, fresh, words)
            rescue.swap(config.data, database, fresh, aside)
            return words
    words = stopped_words(
        f"the database was damaged ({trouble}) and set aside in {aside}; no backup of it works. "
        "A new one was begun with the show alone: counts, holds and the log are missing"
    )
    try:
        _make_anew(config, database, fresh, trouble, words)
    except StoreRefused:
        aside.rmdir()
        raise
    rescue.swap(config.data, database, fresh, aside)
    return words


def _make_anew(config: Config, database: Path, fresh: Path, trouble: str, words: str) -> None:
    kept = rescue.salvage(database)
    text = next((text for _version, text in kept.shows if _is_show(text)), None)
    if text is None and config.show is None:
        raise StoreRefused(
            f"{database} cannot be used: {trouble}. There is no backup of it, and no show could "
            "be read from it. Move it away and start with --show FILE"
        )
    scratch = _scratch(fresh)
    with opened(scratch) as (writing, reading):
        upgrade(writing)
        for key, value in kept.settings.items():
            Writer(writing).save_setting(key, value)
        if text is not None:
            Writer(writing).save_show(text, "start", now_ms())
        _latch(writing, Reader(reading), words)
    _hand_on(scratch, fresh)


def _is_show(text: str) -> bool:
    with suppress(Exception):
        read_show(text, "show")
        return True
    return False


def _stopped_with(config: Config, what: str) -> str:
    words = stopped_words(what)
    with opened_store(config) as (writing, reading):
        _latch(writing, Reader(reading), words)
    return words


def stopped_words(what: str) -> str:
    return f"{what}. The show is stopped: look at every prop, then release it"


def _latch(writing: Engine, reader: Reader, words: str) -> None:
    """Stop in the journal itself, so that every start from now on finds it."""
    last = reader.last_stamp()
    wall_ms = now_ms()
    mono_ms = resumed_mono_ms((last.mono_ms, last.wall_ms) if last else None, wall_ms)
    number = (last.number if last else 0) + 1
    told = AlertRow(ALERT, "raised", words[:WORDS_MAX], number, TODO, "now", wall_ms, wall_ms)
    stop = Record(
        number,
        mono_ms,
        wall_ms,
        Stopped(mono_ms, wall_ms, "start"),
        action=ActionRow("start", "stop", "database"),
        alert=told,
    )
    ledger = Ledger(writing)
    ledger.write([stop])
    ledger.close()


# --- backups put back


def tried(source: Backup, fresh: Path, words: str = "") -> int:
    """Put a copy of a backup at `fresh`, brought to this program's schema and tried out.

    With words the show in it is stopped by them. Return its last number. Raises BackupRefused,
    and leaves nothing there then.
    """
    scratch = _scratch(fresh)
    try:
        backup.verify(source)
        shutil.copyfile(source.database, scratch / DATABASE)
        number = try_out(scratch)
        if words:
            with opened(scratch) as (writing, reading):
                _latch(writing, Reader(reading), words)
            rescue.end_sessions(scratch / DATABASE)
        _hand_on(scratch, fresh)
    except BackupRefused:
        raise
    except Exception as fault:
        raise BackupRefused(f"backup {source.name} cannot be started from: {fault}") from fault
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return number


def restore(config: Config, source: Backup) -> str:
    """Put a backup in place of the database, which is backed up first; return it in words.

    Raises BackupRefused, with everything left as it was.
    """
    database = database_file(config.data, config.database)
    if database is None:
        raise BackupRefused(
            "this database is no file: bring the backup into an empty one with haunt move "
            f"--database sqlite:///{source.database.absolute()} --to URL, or restore it with the "
            "server's own tools"
        )
    fresh = database.with_name(database.name + FRESH)
    tried(source, fresh)
    aside, before = rescue.new_aside(config.data, now_ms()), ""
    is_sound = database.exists() and not rescue.examine(database).trouble
    if is_sound:
        made = backup.take(database, config.data / BACKUPS, now_ms(), "restore")
        before = f"; what was there before is backup {made.name}"
    elif database.exists():
        before = f"; what was there before is in {aside}"
    words = stopped_words(
        f"restored is backup {source.name}{before}. Everybody signs in anew; people and tokens "
        "are those of that time: look whether one was revoked since"
    )
    tried(source, fresh, words)
    rescue.swap(config.data, database, fresh, aside)
    if is_sound or not before:
        shutil.rmtree(aside)  # the same again, or nothing
    return words


def _hand_on(scratch: Path, fresh: Path) -> None:
    rescue.settle(scratch / DATABASE)
    (scratch / DATABASE).replace(fresh)
    shutil.rmtree(scratch)


def _scratch(beside: Path) -> Path:
    folder = beside.with_name(beside.name + ".try")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(mode=0o700)
    return folder


def said_at(at_ms: int) -> str:
    return f"{utc(at_ms):%Y-%m-%d %H:%M:%S} UTC"
