"""Commands that look after a data folder: backup, restore, certificates, doctor."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail


def backup(
    data: Data = DEFAULT_DATA,
    only_list: Annotated[bool, typer.Option("--list", help="List what there is.")] = False,
    as_json: Json = False,
) -> None:
    """Make a backup now, whether or not a server runs; or list the backups."""
    from haunt.bootstrap.keeping import back_up, backups, shown  # noqa: PLC0415
    from haunt.store.backup import BackupRefused  # noqa: PLC0415

    config = config_of(data, {})
    try:
        found = backups(config) if only_list else [back_up(config)]
    except BackupRefused as refused:
        fail(str(refused))
    if as_json:
        typer.echo(json.dumps([shown(each) for each in found]))
        return
    for each in found:
        typer.echo(f"{each.name}  {each.size_bytes / 1024**2:.1f} MB  {each.path}")


def restore(
    name: Annotated[str, typer.Argument(help="A backup's name, or latest.")] = "latest",
    data: Data = DEFAULT_DATA,
    source: Annotated[
        Path | None, typer.Option("--from", help="Another folder that holds backups.")
    ] = None,
    only_check: Annotated[
        bool, typer.Option("--check", help="Only try it, in a copy; change nothing.")
    ] = False,
    at_start: Annotated[
        bool, typer.Option("--at-start", help="Do it when the server starts next.")
    ] = False,
) -> None:
    """Put a backup back: tried in a copy first, with a backup of what is there now.

    The show is stopped afterwards, since holds and lock-outs are those of the backup's time.
    """
    from haunt.bootstrap import keeping  # noqa: PLC0415
    from haunt.store.backup import BackupRefused  # noqa: PLC0415

    config = config_of(data, {})
    try:
        chosen = keeping.chosen(config, name, source)
        if only_check:
            number = keeping.check_backup(config, chosen)
            typer.echo(f"backup {chosen.name} works: a start from it goes on after event {number}")
        elif at_start:
            typer.echo(keeping.restore_at_start(config, chosen.name))
        else:
            typer.echo(keeping.restore_now(config, chosen))
    except BackupRefused as refused:
        fail(str(refused))


def move(
    to: Annotated[str, typer.Option("--to", help="postgresql+psycopg://USER@HOST/NAME.")],
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Move everything into an empty database, all or nothing; haunt.toml names it from then on.

    What it was moved from stays as it is. End haunt serve first.
    """
    from haunt.bootstrap.moving import move_to  # noqa: PLC0415 - keeps --help fast

    found = move_to(config_of(data, {}), to)
    if as_json:
        rows = {each.table: each.here for each in found.counted}
        typer.echo(json.dumps({"rows": rows, "named_in": found.named_in}))
        return
    for each in found.counted:
        typer.echo(f"{each.table:12} {each.there:>9} -> {each.here:>9}")
    typer.echo(found.said)


def certs(
    name: Annotated[list[str], typer.Option(help="A host name or address; may be repeated.")],
    data: Data = DEFAULT_DATA,
    renew: Annotated[
        bool, typer.Option("--renew", help="A new server certificate by the same authority.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Make a certificate authority for this house, and the server's certificate for its names."""
    from haunt.bootstrap.certs import CertificatesRefused, make_certificates  # noqa: PLC0415

    try:
        made = make_certificates(data / "certs", name, datetime.now(UTC), renew=renew)
    except CertificatesRefused as refused:
        fail(str(refused))
    if as_json:
        told = {"ca": made.ca, "certificate": made.certificate, "key": made.key}
        out = {key: str(path) for key, path in told.items()} | {"until": made.until.isoformat()}
        typer.echo(json.dumps(out))
        return
    typer.echo("for the server:  haunt serve takes it at its next start; --tls off does not")
    typer.echo(f"for each phone:  {made.ca} (install it as a trusted authority)")
    typer.echo(f"its SHA-256:     {made.fingerprint}")
    typer.echo(f"it counts until {made.until:%Y-%m-%d}; then: haunt certs --renew, same names")


def doctor(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Say whether this machine and this folder are ready for a night; 1 where they are not."""
    from haunt.bootstrap.doctor import examine_all  # noqa: PLC0415

    found = examine_all(config_of(data, {}), datetime.now(UTC))
    if as_json:
        typer.echo(json.dumps([each._asdict() for each in found]))
    else:
        for each in found:
            typer.echo(f"{'good' if each.good else 'LOOK':5} {each.what}: {each.said}")
    raise typer.Exit(0 if all(each.good for each in found) else 1)
