"""What every command of the line shares: its common options, its settings, its ways to refuse."""

from collections.abc import Callable
from contextlib import suppress
from contextvars import ContextVar
from functools import wraps
from inspect import Parameter, signature
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import typer

from haunt.config import Config, SettingRefused, read_config
from haunt.store.refusal import StoreRefused

Data = Annotated[Path, typer.Option("--data", help="Folder that holds everything of this show.")]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]
Database = Annotated[
    str | None, typer.Option("--database", help="postgresql+psycopg://USER@HOST/NAME, or SQLite.")
]
DEFAULT_DATA = Path("haunt-data")
_NAMED: Final = ContextVar[str | None]("the database that this command names", default=None)


def with_database(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command on a data folder the option that says where the folder's database is.

    One that has it already is left alone. What the store refuses is said and no trace of it.
    """
    known = signature(command)
    if "data" not in known.parameters or "database" in known.parameters:
        return command

    @wraps(command)
    def run(*words: object, database: str | None = None, **options: object) -> Any:
        before = _NAMED.set(database)
        try:
            return command(*words, **options)
        except StoreRefused as refused:
            fail(str(refused))
        finally:
            _NAMED.reset(before)

    added = Parameter("database", Parameter.KEYWORD_ONLY, default=None, annotation=Database)
    found: Any = run
    found.__signature__ = known.replace(parameters=[*known.parameters.values(), added])
    found.__annotations__ = {**command.__annotations__, "database": Database}
    return run


def config_of(data: Path, flags: dict[str, str | None]) -> Config:
    from os import environ  # noqa: PLC0415 - the one place that reads the environment

    try:
        return read_config(data, {"database": _NAMED.get(), **flags}, environ)
    except SettingRefused as refused:
        typer.echo(f"haunt: {refused}", err=True)
        raise typer.Exit(2) from refused


def readable(file: Path) -> Path:
    if not file.is_file():
        typer.echo(f"haunt: there is no file {file}", err=True)
        raise typer.Exit(2)
    return file


def say(line: str) -> None:
    """For whoever reads along. Where a full disk has no room for it, nothing ends for that."""
    with suppress(OSError):
        typer.echo(line, err=True)


def fail(what: str) -> NoReturn:
    typer.echo(f"haunt: {what}", err=True)
    raise typer.Exit(1)
