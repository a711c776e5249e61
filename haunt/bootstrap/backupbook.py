"""Backups as pages ask for them: what there is, what going back would cost, one file to take away.

A backup is tried out in a process of its own: the running night loses no moment to it.
"""

import json
import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from io import BytesIO
from pathlib import Path
from tarfile import BLOCKSIZE, TarInfo
from typing import Final, NamedTuple

from haunt.bootstrap import keeping
from haunt.bootstrap.errands import PROGRAM, gently
from haunt.bootstrap.keeping import Keeping
from haunt.bootstrap.mending import said_at
from haunt.config import Config
from haunt.site.houseports import Copy, HouseRefused, Loss, Parcel, Standing
from haunt.store import backup
from haunt.store.backup import MANIFEST, Backup, BackupRefused
from haunt.store.engines import database_file
from haunt.store.sqlitefile import DATABASE

TRY_S: Final = 120
LOOK_S: Final = 0.2
CHUNK: Final = 1 << 18
OPEN: Final = frozenset({DATABASE, "ca.pem", "server.pem"})
"""What of a backup may travel where others read along; keys and passwords of boards may not."""


class Backups:
    """Satisfies `site.houseports.BackupBook`."""

    def __init__(
        self,
        config: Config,
        keeping_: Keeping,
        again: Callable[[], None],
        is_ending: Callable[[], bool],
        program: Sequence[str] = PROGRAM,
    ) -> None:
        self._config, self._keeping = config, keeping_
        self._again, self._is_ending = again, is_ending
        self._program = tuple(program)
        self._one = threading.Lock()

    def standing(self) -> Standing:
        kept = self._keeping.status()
        trouble = kept.trouble
        if database_file(self._config.data, self._config.database) is None:
            trouble = (
                "PostgreSQL is not backed up every hour from here: use its own pg_dump. A copy of "
                "it is made by hand, and before every change of its schema"
            )
        copies = tuple(_copy(each) for each in keeping.backups(self._config))
        return Standing(copies, trouble, kept.words)

    def back_up(self) -> Copy:
        try:
            return _copy(keeping.back_up(self._config))
        except BackupRefused as refused:
            raise HouseRefused(str(refused)) from refused

    def try_out(self, name: str) -> str:
        source = self._chosen(name)
        with self._one:
            self._try_out(source)
        return f"backup {source.name} works: a start from a copy of it was tried"

    def loss(self, name: str) -> Loss:
        source = self._chosen(name)
        database = database_file(self._config.data, self._config.database)
        try:
            rows = backup.rows_of(database) if database is not None else {}
            return Loss(_copy(source), rows, backup.owners_of(source.database))
        except BackupRefused as refused:
            raise HouseRefused(str(refused)) from refused

    def restore(self, name: str, by: str) -> str:
        source = self._chosen(name)
        with self._one:
            self._try_out(source)
            keeping.put_down(self._config, source, by)
        return f"backup {source.name} of {said_at(source.at_ms)} is put in place now"

    def again(self) -> None:
        self._again()

    def parcel(self, name: str, *, with_keys: bool) -> Parcel:
        source = self._chosen(name)
        files = _files(source, with_keys=with_keys)
        size = sum(_padded(each.size_bytes) + BLOCKSIZE for each in files) + 2 * BLOCKSIZE
        return Parcel(f"{source.name}.tar", size, _tar(source.name, files))

    def _chosen(self, name: str) -> Backup:
        try:
            return keeping.chosen(self._config, name)
        except BackupRefused as refused:
            raise HouseRefused(f"there is no backup {name!r}") from refused

    def _try_out(self, source: Backup) -> None:
        words = [*self._program, "restore", source.name, "--check"]
        words += ["--data", str(self._config.data)]
        child = subprocess.Popen(  # noqa: S603 - our own program; the name is of a folder we found
            gently(words),
            env={**os.environ, "HAUNT_DATABASE": self._config.database},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        said = self._awaited(child, source.name).strip().removeprefix("haunt: ")
        if child.returncode:
            raise HouseRefused(f"it was tried out and does not work: {said or 'no word why'}")

    def _awaited(self, child: "subprocess.Popen[str]", name: str) -> str:
        """Return what it said. A server that is told to end waits for no try."""
        until = time.monotonic() + TRY_S
        while True:
            try:
                return child.communicate(timeout=LOOK_S)[1]
            except subprocess.TimeoutExpired:
                is_late = time.monotonic() > until
                if not is_late and not self._is_ending():
                    continue
            child.kill()
            child.communicate()
            why = f"it took more than {TRY_S} s" if is_late else "the server is ending"
            raise HouseRefused(f"{why}; use haunt restore {name}")


def _copy(source: Backup) -> Copy:
    at_ms = keeping.tried_ms(source)
    return Copy(source.name, source.at_ms, source.why, source.size_bytes, source.rows, at_ms)


# --- one file to take away


class _File(NamedTuple):
    """A file of the parcel: what it is called there, its size, and where it comes from."""

    name: str
    size_bytes: int
    source: Path | bytes


def _files(source: Backup, *, with_keys: bool) -> list[_File]:
    """The manifest of what goes along leaves out what does not, so that it can be checked."""
    kept = json.loads((source.path / MANIFEST).read_text())
    names = [each for each in sorted(source.sums) if with_keys or each in OPEN]
    kept["sums"] = {each: source.sums[each] for each in names}
    manifest = json.dumps(kept, indent=1).encode()
    found = [_File(MANIFEST, len(manifest), manifest)]
    for each in names:
        path = source.path / each
        found.append(_File(each, path.stat().st_size, path))
    return found


def _padded(size: int) -> int:
    return -(-size // BLOCKSIZE) * BLOCKSIZE


def _tar(folder: str, files: list[_File]) -> Iterator[bytes]:
    """Yield an archive piece by piece; files are open from the start, lest they be thinned out."""
    with ExitStack() as opened:
        sources = [
            BytesIO(each.source)
            if isinstance(each.source, bytes)
            else opened.enter_context(each.source.open("rb"))
            for each in files
        ]
        for each, source in zip(files, sources, strict=True):
            head = TarInfo(f"{folder}/{each.name}")
            head.size, head.mode = each.size_bytes, 0o600
            yield head.tobuf()
            while piece := source.read(CHUNK):
                yield piece
            yield bytes(_padded(each.size_bytes) - each.size_bytes)
        yield bytes(2 * BLOCKSIZE)
