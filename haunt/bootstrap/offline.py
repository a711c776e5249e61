"""What the command line does to a data folder or a file, whether or not a server runs."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from haunt.bootstrap.addresses import reachable
from haunt.bootstrap.broker import foreign_account
from haunt.bootstrap.clock import now_ms
from haunt.bootstrap.folder import alone
from haunt.config import Config
from haunt.mqtt.credentials import CredentialRefused, Credentials
from haunt.mqtt.kept import reload_running
from haunt.store.engines import Engine, open_engines, opened
from haunt.store.reader import Reader
from haunt.store.schema import upgrade
from haunt.store.writer import Writer
from haunt.wire.boardfile import BoardParts, parts_of
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showfile import read_show

BACKUPS: Final = "backups"
"""The folder of them, in the data folder."""
HERE: Final = "command line"
"""Who it was, where nobody signed in."""
PAGES_IMPORT: Final = "end it first, or import the file on its pages: Plan, Import"
LISTENER: Final = re.compile(r"^listener (\d+) (\S+)$", re.MULTILINE)

Item = dict[str, Any]


def import_file(config: Config, path: Path) -> tuple[list[dict[str, Any]], int]:
    """Return (faults, version). Nothing is kept of a file with faults.

    Raises StoreRefused while a server runs: it would go on with the show that it has.
    """
    try:
        text = text_of(path)
        read_show(text, str(path))
    except ShowFileRefused as refused:
        return [asdict(fault) for fault in refused.faults], 0
    with alone(config.data, PAGES_IMPORT), opened_store(config) as (writer, _reading):
        return [], Writer(writer).save_show(text, "import", now_ms())


def text_of(path: Path) -> str:
    """Return what a file says, with the line ends it has. Raises ShowFileRefused."""
    raw = path.read_bytes()
    try:
        return raw.decode()
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        what = f"is not UTF-8 (byte {raw[fault.start]:#04x})"
        raise ShowFileRefused([Fault(str(path), line, "text", what, "UTF-8")]) from fault


def export_file(config: Config) -> bytes | None:
    """Return the show file byte for byte as it was imported."""
    with opened_store(config) as (_writing, reading):
        found = Reader(reading).show()
    return found[1].encode() if found is not None else None


def add_board(config: Config, board: str) -> Item | str:
    return _change_board(config, board, "add")


def rotate_board(config: Config, board: str) -> Item | str:
    return _change_board(config, board, "rotate")


def revoke_board(config: Config, board: str) -> Item | str:
    return _change_board(config, board, "revoke")


def list_boards(config: Config) -> list[str]:
    found = credentials_of(config)
    return [] if isinstance(found, str) else found.boards()


def _change_board(config: Config, board: str, what: str) -> Item | str:
    """Return what the firmware needs, or what stands in the way."""
    found = credentials_of(config)
    if isinstance(found, str):
        return found
    try:
        password = getattr(found, what)(board)
    except CredentialRefused as refused:
        return str(refused)
    reload_running(config.data / "broker")
    return credential(listener_of(config), found.root, board, password, _parts(config, board))


def credential(
    listener: tuple[str, int], root: str, board: str, password: str, parts: BoardParts
) -> Item:
    """Return what a board's firmware reads: how to sign in, and what hangs on which pin."""
    host, port = listener
    return {
        "host": reachable(host),
        "port": port,
        "username": board,
        "password": password,
        "root": root,
        "sensors": dict(parts.sensors),
        "props": dict(parts.props),
        "battery": dict(parts.battery),
    }


def without_pins(config: Config, board: str) -> str:
    """Say which sensors and props of a board its file lacks; empty where none."""
    return BoardParts(pinless=_parts(config, board).pinless).words


def _parts(config: Config, board: str) -> BoardParts:
    """What the kept show says of a board; nothing where there is none."""
    text = export_file(config)
    return parts_of(text.decode(), board) if text is not None else BoardParts()


def listener_of(config: Config) -> tuple[str, int]:
    """Where the broker listens, or would: a server may have been started with flags."""
    if config.has_foreign_broker:
        account = foreign_account(config.broker, "")
        return account.host, account.port
    folder = config.data / "broker"
    found, port = listener_in(folder), folder / "port"
    if found is not None:
        return found
    return config.mqtt_host, int(port.read_text()) if port.exists() else config.mqtt_port


def listener_in(folder: Path) -> tuple[str, int] | None:
    """Where the Mosquitto that is kept in this folder listens; None where it never ran."""
    settings = folder / "mosquitto.conf"
    found = LISTENER.search(settings.read_text()) if settings.exists() else None
    return (found[2], int(found[1])) if found is not None else None


def credentials_of(config: Config) -> Credentials | str:
    raw = export_file(config)
    if raw is None:
        return f"{config.data} holds no show yet: import one first"
    return Credentials(config.data / "broker", read_show(raw.decode(), "show").show.info.id)


def open_store(config: Config) -> tuple[Engine, Engine]:
    """Return (writer, reader) of a database of this program's schema. Raises StoreRefused."""
    writer, reader = open_engines(config.data, config.database)
    upgrade(writer, config.data / BACKUPS)
    return writer, reader


def open_to_read(config: Config) -> Engine:
    """As `open_store`, for whoever only reads."""
    return open_store(config)[1]


@contextmanager
def opened_store(config: Config) -> Iterator[tuple[Engine, Engine]]:
    """As `open_store`, for a while: both are closed whatever happens."""
    with opened(config.data, config.database) as (writer, reader):
        upgrade(writer, config.data / BACKUPS)
        yield writer, reader
