"""What a data folder holds: the show as it is to run, and the state to go on from."""

import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

from haunt.bootstrap.clock import SystemClock, local_zone, now_ms, resumed_mono_ms, sunset_of
from haunt.bootstrap.refusal import StartRefused
from haunt.config import Config
from haunt.core.events import Event
from haunt.core.show import Show
from haunt.live.memory import remembered
from haunt.live.prepare import Prepared, prepare
from haunt.store.reader import Reader
from haunt.store.writer import Writer
from haunt.wire.eventcodec import decode_event
from haunt.wire.firstshow import empty_show
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show

STARTED_BY: Final = "the server's start"
"""Whose version a show is that no person gave by a page."""


@dataclass(frozen=True, slots=True)
class Kept:
    """`is_news`: the show file differs from the version that was kept."""

    read: ReadShow
    version: int
    prepared: Prepared
    memory: dict[str, Any] | None
    number: int
    clock: SystemClock
    seed: int
    is_news: bool


def kept_in(config: Config, reader: Reader, writer: Writer) -> Kept:
    stored = reader.show()
    text = _text(config.show) if config.show is not None else None
    if text is None and stored is None:
        text = empty_show(local_zone())
    last = reader.last_stamp()
    wall_ms = now_ms()
    clock = SystemClock(resumed_mono_ms((last.mono_ms, last.wall_ms) if last else None, wall_ms))
    is_news = text is not None and (stored is None or stored[1] != text)
    if is_news and text is not None:
        read = read_show(text, str(config.show))
        read = ReadShow(text, "show", read.show, read.raw)  # pages need not know where it lies
        if stored is not None and read_show(stored[1], "show").show.info.id != read.show.info.id:
            raise StartRefused(f"{config.data} belongs to another show; use a folder of its own")
        version = writer.save_show(text, STARTED_BY, wall_ms)
    else:
        version, text = stored or (0, "")
        read = read_show(text, f"show version {version}")
    seed = _seed(reader, writer)
    prepared = prepare(read.show, seed)
    memory, number = remember(reader, prepared, read, seed)
    return Kept(read, version, prepared, memory, number, clock, seed, is_news)


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode()
    except (OSError, UnicodeDecodeError) as fault:
        raise StartRefused(f"show file {path}: {fault}") from fault


def _seed(reader: Reader, writer: Writer) -> int:
    """Chance is drawn once for a data folder, so that its nights can be run again."""
    found = reader.setting("seed")
    if found is None:
        found = str(secrets.randbits(48))
        writer.save_setting("seed", found)
    return int(found)


class Memory(NamedTuple):
    """`state` is None where nothing has happened yet; `number` the last one used."""

    state: dict[str, Any] | None
    number: int


def remember(reader: Reader, prepared: Prepared, read: ReadShow, seed: int) -> Memory:
    """Rebuild the state: the newest snapshot, then the events after it."""
    snapshot = reader.latest_snapshot()
    number = snapshot.number if snapshot is not None else 0
    newest = reader.show()

    def show_of(version: int) -> Show:
        """The newest stands in for one that is gone or that can no longer be read."""
        found = reader.show(version)
        if found is None or found == newest:
            return prepared.show
        try:
            return prepare(read_show(found[1], "show").show, seed).show
        except ShowFileRefused:
            return prepared.show

    def happened() -> Iterator[Event]:
        nonlocal number
        rows = reader.events_after(number)
        for number, mono_ms, wall_ms, kind, body in rows:  # noqa: B007
            yield decode_event(kind, mono_ms, wall_ms, body, show_of)

    known = snapshot.memory if snapshot is not None else None
    began_with = show_of(snapshot.show_version) if snapshot is not None else prepared.show
    state = remembered(began_with, sunset_of(read.show), known, happened())
    last = reader.last_stamp()
    return Memory(state, max(number, last.number if last else 0))
