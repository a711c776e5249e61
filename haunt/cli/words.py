"""What every command of the line shares: its common options, its settings, its ways to refuse."""

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from haunt.config import Config, SettingRefused, read_config

Data = Annotated[Path, typer.Option("--data", help="Folder that holds everything of this show.")]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]
DEFAULT_DATA = Path("haunt-data")


def config_of(data: Path, flags: dict[str, str | None]) -> Config:
    from os import environ  # noqa: PLC0415 - the one place that reads the environment

    try:
        return read_config(data, flags, environ)
    except SettingRefused as refused:
        typer.echo(f"haunt: {refused}", err=True)
        raise typer.Exit(2) from refused


def readable(file: Path) -> Path:
    if not file.is_file():
        typer.echo(f"haunt: there is no file {file}", err=True)
        raise typer.Exit(2)
    return file


def fail(what: str) -> NoReturn:
    typer.echo(f"haunt: {what}", err=True)
    raise typer.Exit(1)
