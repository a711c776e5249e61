"""Commands on boards and their credentials."""

import json
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail

app = typer.Typer(help="Boards and their credentials.", no_args_is_help=True)


@app.command()
def add(
    board: Annotated[str, typer.Argument(help="The board's id in the show file.")],
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Make a board's credential. It is shown once."""
    from haunt.bootstrap.offline import add_board  # noqa: PLC0415

    _credential(add_board(config_of(data, {}), board), as_json=as_json)


@app.command()
def rotate(
    board: Annotated[str, typer.Argument()], data: Data = DEFAULT_DATA, as_json: Json = False
) -> None:
    """Give a board a new password; the old one stops working."""
    from haunt.bootstrap.offline import rotate_board  # noqa: PLC0415

    _credential(rotate_board(config_of(data, {}), board), as_json=as_json)


@app.command()
def revoke(board: Annotated[str, typer.Argument()], data: Data = DEFAULT_DATA) -> None:
    """Take a board's credential away."""
    from haunt.bootstrap.offline import revoke_board  # noqa: PLC0415

    found = revoke_board(config_of(data, {}), board)
    if isinstance(found, str):
        fail(found)


@app.command("list")
def list_(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Name the boards that have a credential."""
    from haunt.bootstrap.offline import list_boards  # noqa: PLC0415

    names = list_boards(config_of(data, {}))
    typer.echo(json.dumps(names) if as_json else "\n".join(names))


def _credential(found: dict[str, object] | str, *, as_json: bool) -> None:
    if isinstance(found, str):
        fail(found)
    if as_json:
        typer.echo(json.dumps(found))
        return
    for key, value in found.items():
        typer.echo(f"{key:9} {value}")
