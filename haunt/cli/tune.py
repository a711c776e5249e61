"""The command that weighs settings on recorded nights."""

import json
from typing import Annotated

import typer

from haunt.cli.progress import progress_of
from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail


def tune(  # noqa: PLR0917 - an option a parameter
    prop: Annotated[str | None, typer.Argument(help="A prop's id; without it every prop.")] = None,
    nights: Annotated[int, typer.Option(min=1, max=10, help="How many of the last nights.")] = 1,
    table: Annotated[
        bool, typer.Option("--table", help="All that was tried, not the best.")
    ] = False,
    rest: Annotated[
        float | None, typer.Option(min=0, max=3600, help="Side by side with this rest, seconds.")
    ] = None,
    patience: Annotated[bool, typer.Option("--patience", help="Try other patiences too.")] = False,
    show: Annotated[
        bool, typer.Option("--show", help="Stagger, phases and all cooldowns of the whole show.")
    ] = False,
    jobs: Annotated[int | None, typer.Option(min=1, max=16, help="Processes; one a core.")] = None,
    progress: Annotated[bool, typer.Option("--progress", help="Progress as plain lines.")] = False,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Say which setting would have answered more groups, or that nothing is to be changed."""
    from haunt.bootstrap import tuning, tuningwords  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.offline import open_to_read  # noqa: PLC0415

    reader = open_to_read(config_of(data, {}))
    told = progress_of(lines=progress)
    if show:
        whole = tuning.show_front(reader, nights, jobs=jobs, progress=told)
        if isinstance(whole, str):
            fail(whole)
        plain: object = tuning.overall_as_json(whole)
        lines = tuningwords.front_lines(whole)
    else:
        wanted = tuning.Wanted(prop, nights, patience, rest)
        found = tuning.advice_on(reader, wanted, jobs=jobs, progress=told)
        if isinstance(found, str):
            fail(found)
        plain = [tuning.as_json(each) for each in found]
        lines = tuningwords.lines(found, table=table, rest_s=rest)
    typer.echo(json.dumps(plain, indent=1) if as_json else "\n".join(lines))
