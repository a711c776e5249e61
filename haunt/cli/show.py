"""Commands on the show file: check, import, export."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail, readable


def check(
    file: Annotated[Path, typer.Argument(help="A show file.")], as_json: Json = False
) -> None:
    """List faults; else findings on power, pins, sound, flash. Exit 1 if one must be mended."""
    from haunt.bootstrap.checking import check_file  # noqa: PLC0415

    found = check_file(readable(file))
    if as_json:
        typer.echo(json.dumps(found.as_json(), indent=1, ensure_ascii=False))
    else:
        for line in found.lines():
            typer.echo(line)
    raise typer.Exit(1 if found.must_be_mended else 0)


def import_(
    file: Annotated[Path, typer.Argument(help="A show file.")], data: Data = DEFAULT_DATA
) -> None:
    """Keep a show file as the show's newest version. While a server runs: Plan, Import."""
    from haunt.bootstrap.offline import import_file  # noqa: PLC0415

    faults, version = import_file(config_of(data, {}), readable(file))
    if faults:
        for each in faults:
            typer.echo(f"{each['file']}:{each['line']}: {each['key']}: {each['what']}", err=True)
        raise typer.Exit(1)
    typer.echo(f"imported as version {version}")


def export(data: Data = DEFAULT_DATA) -> None:
    """Print the show file as it is kept, comments and all."""
    from haunt.bootstrap.offline import export_file  # noqa: PLC0415

    raw = export_file(config_of(data, {}))
    if raw is None:
        fail(f"{data} holds no show yet")
    sys.stdout.buffer.write(raw)
    sys.stdout.flush()
