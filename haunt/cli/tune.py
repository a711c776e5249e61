"""The command that weighs cooldowns on recorded nights."""

import json
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail


def tune(
    prop: Annotated[str | None, typer.Argument(help="A prop's id; without it every prop.")] = None,
    nights: Annotated[int, typer.Option(min=1, max=5, help="How many of the last nights.")] = 1,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Say which cooldown would have answered more groups, or that nothing is to be changed."""
    from haunt.bootstrap.offline import open_store  # noqa: PLC0415 - keeps --help fast
    from haunt.bootstrap.tuning import advice_on  # noqa: PLC0415
    from haunt.bootstrap.tuning import as_json as plain  # noqa: PLC0415

    _writer, reader = open_store(config_of(data, {}))
    found = advice_on(reader, prop, nights)
    if isinstance(found, str):
        fail(found)
    if as_json:
        typer.echo(json.dumps([plain(each) for each in found], indent=1))
        return
    for each in found:
        now_s = each.now_ms / 1000
        then = "change nothing" if each.cooldown_ms is None else f"{each.cooldown_ms / 1000:g} s"
        typer.echo(f"{each.prop:20} {now_s:6g} s -> {then:16} {each.why}")
        if each.cooldown_ms is not None:
            typer.echo(
                f"{'':20} {each.gain} more ({each.low} to {each.high}), sure {each.sure:.0%}, "
                f"{each.used_more_mah:+.0f} mAh a night"
            )
    typer.echo("People might have walked otherwise had the props behaved otherwise.")
