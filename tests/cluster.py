"""A PostgreSQL server of the tests' own: made in a temporary folder, ended with the test session.

It runs as a user without rights, since it refuses to run as root, and answers on one loopback port.
"""

import atexit
import itertools
import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

import psycopg

from tests.system.house import free_port

FOLDERS: Final = "/usr/lib/postgresql"
RUN_S: Final = 120.0
DATABASES: Final = itertools.count(1)


def binaries() -> Path:
    """Where the server's programs are: Debian keeps a folder a version, and none of it on PATH."""
    found = [each.parent for each in Path(FOLDERS).glob("*/bin/initdb")]
    on_path = shutil.which("initdb")
    if on_path is not None:
        found.append(Path(on_path).parent)
    assert found, "PostgreSQL is missing: apt-get install postgresql"
    return max(found, key=lambda each: int("".join(filter(str.isdigit, str(each))) or "0"))


class Cluster:
    """`safe` keeps what was committed through a crash; without it everything is a bit faster."""

    def __init__(self, *, safe: bool = False, also_on: Sequence[str] = ()) -> None:
        """`also_on`: further addresses of this machine; their networks are let in."""
        self.folder, self.port = _folder(), free_port()
        self._bin = binaries()
        _run(self.folder, ["cp", "-a", _made_once(), self._data])
        settings = {
            "port": self.port,
            "listen_addresses": f"'{','.join(('127.0.0.1', *also_on))}'",
            "unix_socket_directories": "''",
            "max_connections": 100,
            "fsync": "on" if safe else "off",
            "shared_buffers": "'32MB'",
            "logging_collector": "off",
        }
        lines = "".join(f"{name} = {value}\n" for name, value in settings.items())
        with (self._data / "postgresql.conf").open("a") as out:
            out.write(lines)
        with (self._data / "pg_hba.conf").open("a") as out:
            out.writelines(f"host all all {each}/29 trust\n" for each in also_on)

    @property
    def _data(self) -> Path:
        return self.folder / "data"

    def start(self) -> "Cluster":
        self._run("pg_ctl", "-D", self._data, "-l", self.folder / "log", "-w", "-s", "start")
        return self

    def stop(self, mode: str = "immediate") -> None:
        """`immediate` is as if the power went: it recovers from its log at the next start."""
        self._run("pg_ctl", "-D", self._data, "-m", mode, "-w", "-s", "stop")

    def pid(self) -> int:
        return int((self._data / "postmaster.pid").read_text().split()[0])

    def end(self) -> None:
        try:
            os.kill(self.pid(), signal.SIGCONT)
            self.stop()
        except (OSError, subprocess.CalledProcessError):
            pass  # it was down already
        shutil.rmtree(self.folder, ignore_errors=True)

    def url(self, name: str) -> str:
        return f"postgresql+psycopg://haunt@127.0.0.1:{self.port}/{name}"

    def fresh(self, like: str = "template1") -> str:
        """Make a database of its own for a test; return its name."""
        name = f"test{next(DATABASES)}"
        self.tell(f"CREATE DATABASE {name} TEMPLATE {like}")
        return name

    def drop(self, name: str) -> None:
        self.tell(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def tell(self, statement: str, database: str = "postgres") -> None:
        with closing(self.connect(database)) as connection:
            connection.execute(statement.encode())

    def connect(self, database: str = "postgres") -> psycopg.Connection[tuple[object, ...]]:
        return psycopg.connect(
            host="127.0.0.1", port=self.port, user="haunt", dbname=database, autocommit=True
        )

    def _run(self, program: str, *words: object) -> None:
        _run(self.folder, [self._bin / program, *words])


def _run(folder: Path, words: Sequence[object]) -> None:
    """As a user without rights, where we are root: it would refuse."""
    line = [str(each) for each in words]
    if os.geteuid() == 0:
        line = ["runuser", "-u", "postgres", "--", *line]
    # What it says goes to a file: a server that kept our pipe open would keep us waiting.
    with (folder / "said").open("ab") as said:
        done = subprocess.run(
            line,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            check=False,
            timeout=RUN_S,
        )
    if done.returncode:
        told = [
            each.read_text()[-2000:] for each in (folder / "said", folder / "log") if each.exists()
        ]
        raise AssertionError(f"{words[0]} failed: {told}")


def _folder() -> Path:
    found = Path(tempfile.mkdtemp(prefix=f"haunt-pg-{os.getpid()}-"))
    if os.geteuid() == 0:
        shutil.chown(found, "postgres", "postgres")
    return found


@cache
def _made_once() -> Path:
    """A cluster's files, made once and then copied: that takes a second and more each time."""
    folder = _folder()
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    made = folder / "data"
    words = ["-U", "haunt", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8"]
    words += ["--locale-provider=icu", "--icu-locale=en-US", "--no-sync", "--no-instructions"]
    _run(folder, [binaries() / "initdb", "-D", made, *words])
    return made


def _sweep() -> None:
    """End the servers of sessions that were killed and could not do it themselves."""
    for folder in Path(tempfile.gettempdir()).glob("haunt-pg-*-*"):
        if Path("/proc", folder.name.split("-")[2]).exists():
            continue
        with suppress(OSError, ValueError, IndexError):
            pid = int((folder / "data" / "postmaster.pid").read_text().split()[0])
            if str(folder) in Path(f"/proc/{pid}/cmdline").read_text():
                os.kill(pid, signal.SIGQUIT)
        shutil.rmtree(folder, ignore_errors=True)


@cache
def shared() -> Cluster:
    """The one that tests share; its databases are each a test's own."""
    _sweep()
    found = Cluster().start()
    atexit.register(found.end)
    return found


@contextmanager
def of_its_own(also_on: Sequence[str] = ()) -> Iterator[Cluster]:
    """One to be stopped, frozen and killed."""
    found = Cluster(safe=True, also_on=also_on)
    try:
        yield found.start()
    finally:
        found.end()


def rows_of(data: Path, statement: str) -> list[tuple[Any, ...]]:
    """Ask the database of a data folder, wherever the environment says that it is."""
    url = os.environ.get("HAUNT_DATABASE", "")
    if url:
        with closing(psycopg.connect(url.replace("+psycopg", ""))) as server:
            return server.execute(statement.encode()).fetchall()
    with closing(sqlite3.connect(data / "haunt.db", timeout=10)) as file:
        return file.execute(statement).fetchall()


def change(data: Path, statement: str) -> None:
    """Do to it what nobody of ours would."""
    url = os.environ.get("HAUNT_DATABASE", "")
    if url:
        with psycopg.connect(url.replace("+psycopg", "")) as server:
            server.execute(statement.encode())
        return
    with closing(sqlite3.connect(data / "haunt.db", timeout=10)) as file, file:
        file.execute(statement)
