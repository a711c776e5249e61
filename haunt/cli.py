"""The command line: reads words, calls bootstrap, prints. No logic of its own.

Exit codes: 0 good, 1 findings or failed, 2 usage.
"""

import json
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from haunt.config import Config, SettingRefused, read_config

app = typer.Typer(
    help="Runs a gardenful of animated props through a night of visitors.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
boards = typer.Typer(help="Boards and their credentials.", no_args_is_help=True)
app.add_typer(boards, name="boards")

Data = Annotated[Path, typer.Option("--data", help="Folder that holds everything of this show.")]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]
DEFAULT_DATA = Path("haunt-data")


@app.command()
def demo(
    port: Annotated[int, typer.Option(help="Port of the pages; 0: any.")] = 8080,
    speed: Annotated[float, typer.Option(help="2 brings twice as many visitors.")] = 1.0,
    seed: Annotated[int | None, typer.Option(help="The same number, the same visitors.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print it.")] = False,
    broker: Annotated[
        str, typer.Option(help="auto, or library: the one that comes along.")
    ] = "auto",
) -> None:
    """Show an invented garden at work, with simulated boards and visitors."""
    from haunt.bootstrap.demo import DemoConfig, run_demo  # noqa: PLC0415 - keeps --help fast

    def opened(url: str) -> None:
        if not no_browser:
            import webbrowser  # noqa: PLC0415

            webbrowser.open(url)

    config = DemoConfig(port, speed, seed, broker)
    raise typer.Exit(run_demo(config, lambda line: typer.echo(line, err=True), opened))


@app.command()
def serve(  # noqa: PLR0917 - options are parameters
    data: Data = DEFAULT_DATA,
    listen: Annotated[str | None, typer.Option(help="HOST:PORT of the pages; port 0: any.")] = None,
    mqtt: Annotated[str | None, typer.Option(help="HOST:PORT of the kept broker.")] = None,
    broker: Annotated[
        str | None, typer.Option(help="auto, library or mqtt[s]://HOST:PORT.")
    ] = None,
    database: Annotated[str | None, typer.Option(help="SQLAlchemy URL; default SQLite.")] = None,
    show: Annotated[Path | None, typer.Option(help="Show file to import at the start.")] = None,
    insecure_lan: Annotated[
        bool, typer.Option("--insecure-lan", help="Let the whole network in without sign-in.")
    ] = False,
) -> None:
    """Run the show: broker, rules, journal, pages."""
    from haunt.bootstrap.server import run_server  # noqa: PLC0415 - keeps --help fast

    flags = {
        "listen": listen,
        "mqtt": mqtt,
        "broker": broker,
        "database": database,
        "show": str(show) if show is not None else None,
    }
    config = _config(data, flags, insecure_lan=insecure_lan)
    raise typer.Exit(run_server(config, say=lambda line: typer.echo(line, err=True)))


@app.command()
def check(
    file: Annotated[Path, typer.Argument(help="A show file.")], as_json: Json = False
) -> None:
    """List every fault of a show file: line, key, what is wrong, what is allowed."""
    from haunt.bootstrap.offline import check_file  # noqa: PLC0415

    findings = check_file(_readable(file))
    if as_json:
        typer.echo(json.dumps(findings, indent=1))
    else:
        for each in findings["faults"]:
            typer.echo(f"{each['file']}:{each['line']}: {each['key']}: {each['what']}")
            typer.echo(f"    allowed: {each['allowed']}")
        for each in findings["notes"]:
            typer.echo(f"note: {each}")
        typer.echo("no faults" if not findings["faults"] else f"{len(findings['faults'])} faults")
    raise typer.Exit(1 if findings["faults"] else 0)


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="A show file.")], data: Data = DEFAULT_DATA
) -> None:
    """Keep a show file as the show's newest version (for a server that is not running)."""
    from haunt.bootstrap.offline import import_file  # noqa: PLC0415

    faults, version = import_file(_config(data, {}), _readable(file))
    if faults:
        for each in faults:
            typer.echo(f"{each['file']}:{each['line']}: {each['key']}: {each['what']}", err=True)
        raise typer.Exit(1)
    typer.echo(f"imported as version {version}")


@app.command()
def export(data: Data = DEFAULT_DATA) -> None:
    """Print the show file as it is kept, comments and all."""
    from haunt.bootstrap.offline import export_file  # noqa: PLC0415

    text = export_file(_config(data, {}))
    if text is None:
        _fail(f"{data} holds no show yet")
    sys.stdout.write(text)


@boards.command("add")
def boards_add(
    board: Annotated[str, typer.Argument(help="The board's id in the show file.")],
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Make a board's credential. It is shown once."""
    from haunt.bootstrap.offline import add_board  # noqa: PLC0415

    _credential(add_board(_config(data, {}), board), as_json=as_json)


@boards.command("rotate")
def boards_rotate(
    board: Annotated[str, typer.Argument()], data: Data = DEFAULT_DATA, as_json: Json = False
) -> None:
    """Give a board a new password; the old one stops working."""
    from haunt.bootstrap.offline import rotate_board  # noqa: PLC0415

    _credential(rotate_board(_config(data, {}), board), as_json=as_json)


@boards.command("revoke")
def boards_revoke(board: Annotated[str, typer.Argument()], data: Data = DEFAULT_DATA) -> None:
    """Take a board's credential away."""
    from haunt.bootstrap.offline import revoke_board  # noqa: PLC0415

    revoke_board(_config(data, {}), board)


@boards.command("list")
def boards_list(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Name the boards that have a credential."""
    from haunt.bootstrap.offline import list_boards  # noqa: PLC0415

    names = list_boards(_config(data, {}))
    typer.echo(json.dumps(names) if as_json else "\n".join(names))


def _credential(found: dict[str, object] | str, *, as_json: bool) -> None:
    if isinstance(found, str):
        _fail(found)
    if as_json:
        typer.echo(json.dumps(found))
        return
    for key, value in found.items():
        typer.echo(f"{key:9} {value}")


def _config(data: Path, flags: dict[str, str | None], *, insecure_lan: bool = False) -> Config:
    from os import environ  # noqa: PLC0415 - the one place that reads the environment

    try:
        return read_config(data, flags, environ, insecure_lan=insecure_lan)
    except SettingRefused as refused:
        typer.echo(f"haunt: {refused}", err=True)
        raise typer.Exit(2) from refused


def _readable(file: Path) -> Path:
    if not file.is_file():
        typer.echo(f"haunt: there is no file {file}", err=True)
        raise typer.Exit(2)
    return file


def _fail(what: str) -> NoReturn:
    typer.echo(f"haunt: {what}", err=True)
    raise typer.Exit(1)
