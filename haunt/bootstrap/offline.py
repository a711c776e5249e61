"""What the command line does to a data folder or a file, whether or not a server runs."""

import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from haunt.config import Config
from haunt.mqtt.credentials import CredentialRefused, Credentials
from haunt.mqtt.kept import reload_running
from haunt.store.engines import Engine, open_engines
from haunt.store.reader import Reader, Writer
from haunt.store.schema import upgrade
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show


def import_file(config: Config, path: Path) -> tuple[list[dict[str, Any]], int]:
    """Return (faults, version). Nothing is kept of a file with faults."""
    text = path.read_text(encoding="utf-8")
    try:
        read_show(text, str(path))
    except ShowFileRefused as refused:
        return [asdict(fault) for fault in refused.faults], 0
    writer, _reader = open_store(config)
    return [], Writer(writer).save_show(text, "import", time.time_ns() // 1_000_000)


def export_file(config: Config) -> str | None:
    _writer, reader = open_store(config)
    found = Reader(reader).show()
    return found[1] if found is not None else None


def add_board(config: Config, board: str) -> dict[str, object] | str:
    return _change_board(config, board, "add")


def rotate_board(config: Config, board: str) -> dict[str, object] | str:
    return _change_board(config, board, "rotate")


def revoke_board(config: Config, board: str) -> dict[str, object] | str:
    return _change_board(config, board, "revoke")


def list_boards(config: Config) -> list[str]:
    found = _credentials(config)
    return [] if isinstance(found, str) else found.boards()


def _change_board(config: Config, board: str, what: str) -> dict[str, object] | str:
    """Return what the firmware needs, or what stands in the way."""
    found = _credentials(config)
    if isinstance(found, str):
        return found
    try:
        password = getattr(found, what)(board)
    except CredentialRefused as refused:
        return str(refused)
    reload_running(config.data / "broker")
    port = config.data / "broker" / "port"
    return {
        "host": config.mqtt_host,
        "port": int(port.read_text()) if port.exists() else config.mqtt_port,
        "username": board,
        "password": password,
        "root": found.root,
    }


def _credentials(config: Config) -> Credentials | str:
    text = export_file(config)
    if text is None:
        return f"{config.data} holds no show yet: import one first"
    return Credentials(config.data / "broker", read_show(text, "show").show.info.id)


def open_store(config: Config) -> tuple[Engine, Engine]:
    writer, reader = open_engines(config.data, config.database)
    upgrade(writer)
    return writer, reader
