"""Commands on boards and their credentials."""

import json
import sys
from pathlib import Path, PurePosixPath
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail, readable

app = typer.Typer(help="Boards and their credentials.", no_args_is_help=True)


@app.command()
def add(
    board: Annotated[str, typer.Argument(help="The board's id in the show file.")],
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Make a board's credential. It is shown once."""
    from haunt.bootstrap.offline import add_board  # noqa: PLC0415

    _credential(add_board(config_of(data, {}), board), board, data, as_json=as_json)


@app.command()
def rotate(
    board: Annotated[str, typer.Argument()], data: Data = DEFAULT_DATA, as_json: Json = False
) -> None:
    """Give a board a new password; the old one stops working."""
    from haunt.bootstrap.offline import rotate_board  # noqa: PLC0415

    _credential(rotate_board(config_of(data, {}), board), board, data, as_json=as_json)


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


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(help="Where the files are written here.")],
    data: Data = DEFAULT_DATA,
    at: Annotated[
        Path, typer.Option(help="The folder in which they will lie on the broker's machine.")
    ] = Path("/etc/mosquitto/haunt"),
    tls: Annotated[
        bool, typer.Option("--tls", help="Port 8883 with a certificate, in place of plain 1883.")
    ] = False,
    port: Annotated[int | None, typer.Option(help="Another port.", min=1, max=65535)] = None,
    as_json: Json = False,
) -> None:
    """Write settings, passwords (hashed) and rights for a Mosquitto that somebody else keeps."""
    from haunt.bootstrap.brokerfiles import export_broker  # noqa: PLC0415

    found = export_broker(config_of(data, {}), folder, PurePosixPath(at), port, tls=tls)
    if isinstance(found, str):
        fail(found)
    if as_json:
        typer.echo(json.dumps({"files": [str(each) for each in found.files]}))
        return
    for each in (*found.files, *found.words):
        typer.echo(each)


@app.command()
def play(
    file: Annotated[Path, typer.Argument(help="The board's file, as its page or `add` gave it.")],
) -> None:
    """Let this machine be a board: its firmware without pins, Enter in place of a visitor."""
    from haunt.bootstrap.playing import PlayRefused, play_board  # noqa: PLC0415

    try:
        play_board(readable(file), sys.stdin, typer.echo)
    except PlayRefused as refused:
        fail(str(refused))


@app.command("test")
def try_out(  # noqa: PLR0917 - an option a parameter
    board: Annotated[str, typer.Argument(help="The board's id in the show file.")],
    data: Data = DEFAULT_DATA,
    prop: Annotated[
        str | None, typer.Option(help="The prop that moves; without it the gentlest.")
    ] = None,
    motion_s: Annotated[
        int, typer.Option("--motion-s", min=0, max=600, help="Wait so long for a sensor's motion.")
    ] = 0,
    mqtt: Annotated[str | None, typer.Option(help="HOST:PORT where boards look for it.")] = None,
    broker: Annotated[str | None, typer.Option(help="auto, or mqtt[s]://… of others.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Hands are clear: do not ask.")] = False,
    as_json: Json = False,
) -> None:
    """Try whether a board keeps to the wire's contract. Its prop moves. End haunt serve first."""
    from haunt.bootstrap import boardtest  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.boardwire import TrialRefused  # noqa: PLC0415 - same

    config = config_of(data, {"mqtt": mqtt, "broker": broker})
    try:
        trial = boardtest.plan(config, board, prop, motion_s, is_told=mqtt is not None)
        typer.echo(trial.caution, err=True)
        if not yes and not typer.confirm("Clear?", err=True):
            raise typer.Exit(2)
        say = (lambda _found: None) if as_json else (lambda found: typer.echo(found.line))
        found = boardtest.hold_trial(config, trial, say)
    except TrialRefused as refused:
        typer.echo(f"haunt: {refused}", err=True)
        raise typer.Exit(2) from refused
    typer.echo(boardtest.told(board, found, as_json=as_json))
    raise typer.Exit(1 if boardtest.is_bad(found) else 0)


def _credential(found: dict[str, object] | str, name: str, data: Path, *, as_json: bool) -> None:
    from haunt.bootstrap.offline import without_pins  # noqa: PLC0415

    if isinstance(found, str):
        fail(found)
    if not found["sensors"] and not found["props"]:
        told = "the show file names nothing with a pin on this board: finish its file by hand"
        typer.echo(f"haunt: {told}", err=True)
    elif told := without_pins(config_of(data, {}), name):
        typer.echo(f"haunt: {told}", err=True)
    if as_json:
        typer.echo(json.dumps(found))
        return
    for key, value in found.items():
        typer.echo(f"{key:9} {value if isinstance(value, str | int) else json.dumps(value)}")
    board = found["username"]
    again = f"haunt boards rotate {board} --data {data} --json > {board}.json"
    typer.echo(f"haunt: the board's file, with a new password: {again}", err=True)
