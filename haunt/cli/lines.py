"""The commands on pools of lines: bring them in, prepare more, make sounds of them, list them."""

import json
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from haunt.cli.progress import progress_of
from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail, readable

app = typer.Typer(help="Pools of lines that props may say.", no_args_is_help=True)

Prop = Annotated[str, typer.Option(help="The prop's id.")]
Behaviour = Annotated[str, typer.Option(help="The behaviour's id.")]
Progress = Annotated[bool, typer.Option("--progress", help="Progress as plain lines.")]


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="Text, one line each; or CSV with a column line.")],
    prop: Prop = "",
    behaviour: Behaviour = "",
    data: Data = DEFAULT_DATA,
) -> None:
    """Bring lines into a pool as new ones: all of a file, or nothing with every fault named."""
    from haunt.bootstrap.linework import Refused, import_lines  # noqa: PLC0415 - fast --help

    try:
        found = import_lines(config_of(data, {}), readable(file), prop, behaviour)
    except Refused as refused:
        _refuse(refused)
    typer.echo(f"{found.added} new lines of {found.read}; keep or strike them on the page Lines")


@app.command()
def prepare(  # noqa: PLR0917 - an option a parameter
    prop: Prop,
    behaviour: Behaviour,
    count: Annotated[int, typer.Option(min=1, max=500, help="How many lines.")] = 20,
    own: Annotated[
        Path | None, typer.Option("--from", help="Own sentences; else the prop's own lines.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="The same number, the same lines.")] = None,
    progress: Progress = False,
    data: Data = DEFAULT_DATA,
) -> None:
    """Make new lines out of one's own sentences, for people to keep or strike."""
    from haunt.bootstrap.linework import Refused, prepare_lines  # noqa: PLC0415

    told, file = progress_of(lines=progress), readable(own) if own is not None else None
    try:
        made = prepare_lines(config_of(data, {}), prop, behaviour, count, file, seed, told)
    except Refused as refused:
        _refuse(refused)
    typer.echo("\n".join(made))


@app.command()
def render(
    out: Annotated[
        Path | None, typer.Option(help="Write kept lines here too, a folder a board.")
    ] = None,
    progress: Progress = False,
    data: Data = DEFAULT_DATA,
) -> None:
    """Make sound files of all lines that are not struck, by espeak-ng."""
    from haunt.bootstrap.linework import Refused, render_lines  # noqa: PLC0415

    try:
        made, copied = render_lines(config_of(data, {}), out, progress_of(lines=progress))
    except Refused as refused:
        _refuse(refused)
    typer.echo(f"{made} sounds made" + (f", {copied} written to {out}" if out is not None else ""))


@app.command("list")
def list_(
    prop: Annotated[str | None, typer.Option(help="Of one prop only.")] = None,
    state: Annotated[str | None, typer.Option(help="new, kept or struck.")] = None,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """List lines with their state and length."""
    from haunt.bootstrap.linework import Refused, list_lines  # noqa: PLC0415
    from haunt.study.pools.pool import State  # noqa: PLC0415

    if state is not None and state not in [*State]:
        typer.echo(f"haunt: --state {state}; allowed: new, kept, struck", err=True)
        raise typer.Exit(2)
    try:
        found = list_lines(config_of(data, {}), prop, State(state) if state is not None else None)
    except Refused as refused:
        _refuse(refused)
    if as_json:
        typer.echo(json.dumps(found, indent=1, ensure_ascii=False))
        return
    for each in found:
        where = f"{each['prop']}.{each['behaviour']}"
        typer.echo(f"{each['state']:6} {each['seconds']:5.1f} s  {where:24} {each['line']}")


def _refuse(refused: Exception) -> NoReturn:
    for fault in getattr(refused, "faults", ()):
        typer.echo(f"haunt: {fault}", err=True)
    fail(str(refused))
