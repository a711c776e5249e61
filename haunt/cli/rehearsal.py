"""The commands that rehearse many nights: what to expect of a show file, or of a data folder."""

import json
from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.progress import progress_of
from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail

Nights = Annotated[int, typer.Option(min=1, max=200, help="How many nights.")]
Groups = Annotated[float | None, typer.Option(min=1, max=5000, help="Groups a night.")]
Profile = Annotated[str, typer.Option(help="evening, street, flat, or own: that of last nights.")]


def expect(
    file: Path | None, nights: int, groups: float, *, faults: bool, seed: int, as_json: bool
) -> None:
    """Rehearse a show file, or the example garden."""
    from haunt.bootstrap.rehearsal import Asked, outlook_of_file  # noqa: PLC0415 - fast --help
    from haunt.bootstrap.rehearse import EXAMPLE  # noqa: PLC0415

    asked = Asked(nights, groups=groups, faults=faults, seed=seed)
    _say(outlook_of_file(file or EXAMPLE, asked, progress_of(lines=False)), as_json=as_json)


def rehearse_nights(  # noqa: PLR0917 - an option a parameter
    nights: Nights = 20,
    groups: Groups = None,
    profile: Profile = "evening",
    faults: Annotated[bool, typer.Option("--faults", help="Boards fail now and then.")] = False,
    seed: Annotated[int, typer.Option(help="The same number, the same nights.")] = 1,
    jobs: Annotated[int | None, typer.Option(min=1, max=16, help="Processes; one a core.")] = None,
    progress: Annotated[bool, typer.Option("--progress", help="Progress as plain lines.")] = False,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Rehearse the show of a data folder many times: what to expect, and how far it may be off."""
    from haunt.bootstrap.offline import open_to_read  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.rehearsal import Asked, outlook_of_data  # noqa: PLC0415

    reader = open_to_read(config_of(data, {}))
    asked = Asked(nights, profile, groups, faults, seed)
    _say(outlook_of_data(reader, asked, progress_of(lines=progress), jobs), as_json=as_json)


def _say(found: object, *, as_json: bool) -> None:
    from haunt.bootstrap.rehearsal import as_json as plain  # noqa: PLC0415
    from haunt.bootstrap.rehearsal import lines  # noqa: PLC0415
    from haunt.study.outlook import Outlook  # noqa: PLC0415

    if not isinstance(found, Outlook):
        fail(str(found))
    typer.echo(json.dumps(plain(found), indent=1) if as_json else "\n".join(lines(found)))
