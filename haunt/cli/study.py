"""Commands that run nights which are not now: simulated ones and recorded ones."""

import json
from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.rehearsal import expect
from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail, readable


def rehearse(  # noqa: PLR0917 - an option a parameter
    file: Annotated[Path | None, typer.Argument(help="A show file; the example garden.")] = None,
    faults: Annotated[bool, typer.Option("--faults", help="Break what can break.")] = False,
    seed: Annotated[int, typer.Option(help="The same number, the same night.")] = 1,
    hours: Annotated[float, typer.Option(min=0.01, max=200.0, help="How long the night is.")] = 5.0,
    groups: Annotated[float, typer.Option(min=0.0, max=2000.0, help="Groups an hour.")] = 60.0,
    nights: Annotated[int, typer.Option(min=0, max=200, help="Many nights: what to expect.")] = 0,
    as_json: Json = False,
) -> None:
    """Play a night with simulated boards and visitors; exit 1 when a promise was broken."""
    if nights:
        expect(file, nights, groups * hours, faults=faults, seed=seed, as_json=as_json)
        return
    from haunt.bootstrap.rehearse import rehearse as play  # noqa: PLC0415 - keeps --help fast

    path = readable(file) if file is not None else None
    found = play(path, seed=seed, hours=hours, faults=faults, groups_per_hour=groups)
    if isinstance(found, str):
        fail(found)
    verdict = found.verdict
    if as_json:
        typer.echo(json.dumps(found.as_json(), indent=1))
    else:
        typer.echo(f"seed {seed}, {hours:g} h, {verdict.groups} groups, {verdict.motions} motions")
        typer.echo(f"fired {verdict.fired}, refused {verdict.refused}, too late {verdict.lapsed}")
        typer.echo(
            f"boards played {verdict.played}; {verdict.faults} faults injected, "
            f"{verdict.restarts} restarts of the controller"
        )
        for reason, count in verdict.reasons.items():
            typer.echo(f"  {count:6} {reason}")
        for fault, count in verdict.injected.items():
            typer.echo(f"  {count:6} times {fault}")
        for what, count in verdict.losses.items():
            typer.echo(f"  {count:6} motions {what}")
        typer.echo(f"well again {(verdict.healed_ms or 0) / 1000:.0f} s after the last fault")
        for trouble in (*([verdict.broken] if verdict.broken else []), *verdict.troubles):
            typer.echo(f"BROKEN: {trouble}")
        typer.echo(
            f"{'every promise held' if found.kept else 'a promise was broken'}; "
            f"log {verdict.log_hash}"
        )
    raise typer.Exit(0 if found.kept else 1)


def replay(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Decide a recorded journal again; exit 1 at the first decision that differs."""
    from haunt.bootstrap.offline import open_to_read  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.replay import replay as again  # noqa: PLC0415

    reader = open_to_read(config_of(data, {}))
    found = again(reader)
    if isinstance(found, str):
        fail(found)
    words = list(found.divergence.words()) if found.divergence is not None else []
    if as_json:
        told = {"events": found.events, "decisions": found.decisions, "differs": words}
        typer.echo(json.dumps(told, indent=1))
    else:
        typer.echo(f"{found.events} events, {found.decisions} decisions run again")
        typer.echo("\n".join(words) or "every decision is the same")
        typer.echo("which line was said is not held against the journal")
    raise typer.Exit(1 if words else 0)
