"""The command that tells what a night was."""

import csv
import json
import sys
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail
from haunt.live.why.words import count


def report(
    night: Annotated[
        str | None,
        typer.Argument(help="The local date on which it opened: YYYY-MM-DD; else the newest."),
    ] = None,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="For a spreadsheet.")] = False,
) -> None:
    """Tell what a night was: counts, groups, refusals, packs, faults, what to charge and mend."""
    from haunt.bootstrap.offline import open_to_read  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.reporting import report_of  # noqa: PLC0415

    reader = open_to_read(config_of(data, {}))
    found = report_of(reader, night)
    if isinstance(found, str):
        fail(found)
    if as_json:
        typer.echo(json.dumps(found.as_json(), indent=1))
        return
    if as_csv:
        csv.writer(sys.stdout).writerows([("section", "name", "figure", "value"), *found.as_rows()])
        return
    share = f"{100 * found.answered_share:.0f} %" if found.answered_share is not None else "none"
    motions, groups = count(found.motions, "motion"), count(found.groups, "group")
    typer.echo(f"{found.date}: {motions}, {groups} at {found.groups_at}")
    best = found.crowd.best
    if best is not None and best.groups is not None:
        band = best.groups
        passed = count(round(band.at), "group")
        typer.echo(f"passed there: {passed} ({band.low:.0f} to {band.high:.0f})")
    typer.echo(f"fired {found.fired}, refused {found.refused}, too late {found.lapsed}")
    typer.echo(f"answered {found.answered} of {found.visits} visits ({share})")
    for line in found.props:
        typer.echo(
            f"  {line.name:24} {line.answered:4} of {line.visits:4}  {line.main_reason or ''}"
        )
    for told in found.to_do:
        typer.echo(f"- {told}")
