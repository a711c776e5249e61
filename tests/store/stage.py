"""What the store's tests share: a fresh database, records, and a listener that can be waited on."""

import queue
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Engine, text

from haunt.core.decisions import Decision, MotionKey, Outcome, Source
from haunt.core.events import Motion
from haunt.live.ports import Record
from haunt.store.engines import open_engines
from haunt.store.reader import Reader
from haunt.store.schema import upgrade
from haunt.store.writer import Writer
from tests import cluster
from tests.core.stage import BOOT, EVENING

DEADLINE_S = 20.0


KINDS = ("sqlite", "postgresql")


class Opened(NamedTuple):
    """`path` is SQLite's file; there is none where `url` names a server's database."""

    path: Path
    writing: Engine
    reader: Reader
    writer: Writer
    url: str = ""

    def ask(self, statement: str) -> list[tuple[Any, ...]]:
        """Ask the database itself, past everything of ours."""
        if self.url:
            with closing(cluster.shared().connect(str(self.writing.url.database))) as connection:
                return connection.execute(statement.encode()).fetchall()
        with closing(sqlite3.connect(self.path)) as connection:
            return connection.execute(statement).fetchall()

    def do(self, statement: str) -> None:
        with self.writing.begin() as connection:
            connection.execute(text(statement))


def fresh_url(kind: str) -> str:
    """Name an empty database of a kind, for one test."""
    if kind == "sqlite":
        return ""
    return cluster.shared().url(cluster.shared().fresh(_made_once()))


def bare_url_of(kind: str) -> str:
    return "" if kind == "sqlite" else cluster.shared().url(cluster.shared().fresh())


@cache
def _made_once() -> str:
    """The newest schema, made once and then copied: quicker than the scripts for every test."""
    name = cluster.shared().fresh()
    writing, reading = open_engines(Path(), cluster.shared().url(name))
    upgrade(writing)
    writing.dispose()
    reading.dispose()
    return name


@contextmanager
def opened(data: Path, url: str = "") -> Iterator[Opened]:
    writing, reading = open_engines(data, url)
    try:
        upgrade(writing)
        yield Opened(data / "haunt.db", writing, Reader(reading), Writer(writing), url)
    finally:
        writing.dispose()
        reading.dispose()


class Heard:
    """A journal's listener: keeps the numbers it was told, and lets a test wait for them."""

    def __init__(self) -> None:
        self.kept: list[int] = []
        self.gone: list[int] = []
        self._news: queue.Queue[None] = queue.Queue()

    def committed(self, records: list[Record]) -> None:
        self.kept += [each.number for each in records]
        self._news.put(None)

    def lost(self, records: list[Record]) -> None:
        self.gone += [each.number for each in records]
        self._news.put(None)

    def wait_for(self, *, kept: int = 0, gone: int = 0) -> None:
        until = time.monotonic() + DEADLINE_S
        while len(self.kept) < kept or len(self.gone) < gone:
            self._news.get(timeout=max(0.001, until - time.monotonic()))


def decision(seq: int, **more: Any) -> Decision:
    plain = Decision(
        at_ms=seq,
        wall_ms=EVENING + seq,
        source=Source.MOTION,
        motion=MotionKey("b1", BOOT, seq),
        sensor="pir",
        prop="gate",
        outcome=Outcome.FIRED,
        reason=None,
        behaviour="growl",
        cue=f"b1-{BOOT}-{seq}-gate",
        waited_ms=0,
        margin=None,
    )
    return plain._replace(**more)


def record(number: int, *, seq: int | None = None, **more: Any) -> Record:
    """One motion with one decision."""
    seq = number if seq is None else seq
    return Record(
        number,
        number,
        EVENING + number,
        Motion(number, EVENING + number, "b1", "pir", BOOT, seq),
        (decision(seq, **more),),
    )
