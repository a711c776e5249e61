"""The command line: reads words, calls bootstrap, prints. No logic of its own.

Exit codes: 0 good, 1 findings or failed, 2 usage.
"""

from typing import Annotated

import typer

from haunt import VERSION
from haunt.cli import (
    boards,
    keep,
    labels,
    lines,
    night,
    people,
    rehearsal,
    report,
    show,
    study,
    tune,
)
from haunt.cli.words import with_database

app = typer.Typer(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"haunt {VERSION}")
        raise typer.Exit


@app.callback()
def whole(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Which haunt this is."),
    ] = False,
) -> None:
    """Runs a gardenful of animated props through a night of visitors."""


app.command()(night.demo)
app.command()(night.serve)
app.command()(show.check)
app.command("import")(show.import_)
app.command()(show.export)
app.command()(study.rehearse)
app.command("rehearse-nights", hidden=True)(rehearsal.rehearse_nights)
app.command()(study.replay)
app.command()(report.report)
app.command()(labels.labels)
app.command()(tune.tune)
app.command()(keep.backup)
app.command()(keep.restore)
app.command()(keep.move)
app.command()(keep.certs)
app.command()(keep.doctor)
app.add_typer(boards.app, name="boards")
app.add_typer(lines.app, name="lines")
app.add_typer(people.app, name="people")
app.add_typer(people.tokens, name="tokens")

for one in (app, *(each.typer_instance for each in app.registered_groups)):
    for each in one.registered_commands if one is not None else ():
        if each.callback is not None and each.callback is not keep.certs:
            each.callback = with_database(each.callback)
