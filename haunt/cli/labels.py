"""Labels with codes, printed from where haunt runs."""

from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, config_of, fail


def labels(
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    out: Annotated[Path, typer.Option(help="Where the PDF goes.")] = Path("labels.pdf"),
    address: Annotated[
        str | None, typer.Option(help="What codes begin with, such as http://haunt.local:8080.")
    ] = None,
    data: Data = DEFAULT_DATA,
) -> None:
    """Make a PDF with one label a prop and board: its code, its name, how it is fed."""
    from haunt.bootstrap.labelling import labels_from, opens_nowhere_else  # noqa: PLC0415 - keeps --help fast

    found = labels_from(config_of(data, {}), paper, address)
    if isinstance(found, str):
        fail(found)
    out.write_bytes(found.pdf)
    if found.lost:
        typer.echo(f"haunt: no font here has these letters: {found.lost}", err=True)
    if opens_nowhere_else(found.base):
        typer.echo(
            f"haunt: the codes begin with {found.base}, which no phone can open: give --address, "
            "or run it once a server has been on your network",
            err=True,
        )
    typer.echo(str(out))
