"""Commands on people and on tokens for programs."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, Json, config_of, fail

if TYPE_CHECKING:  # the rest of the program is slow to load
    from pathlib import Path

    from haunt.bootstrap.people import Office

app = typer.Typer(help="People and their roles.", no_args_is_help=True)
tokens = typer.Typer(help="Tokens for programs.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(help="As others see it.")]
Role = Annotated[
    str,
    typer.Option(
        help="watch sees and stops; crew also holds, releases, fires, tunes; owner does everything."
    ),
]


@app.command()
def add(name: Name, role: Role, data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Add a person and print a link by which they sign in once."""
    with _office(data) as office:
        _link(office.add(name, role), f"{name} signs in once by this, within a day:", as_json)


@app.command()
def link(name: Name, data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Print a link by which a person signs in once."""
    with _office(data) as office:
        _link(office.sign_in_link(name), f"{name} signs in once by this, within a day:", as_json)


@app.command()
def reset(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Print a new link that makes an owner, or makes an owner's password anew."""
    with _office(data) as office:
        _link(office.reset(), "this makes an owner, once, within an hour:", as_json)


@app.command("list")
def list_(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Name people with their roles, and when they were last seen."""
    with _office(data) as office:
        found = office.people()
    if as_json:
        typer.echo(json.dumps(found))
        return
    for each in found:
        typer.echo(f"{each['role']:6} {each['name']:32} last seen {each['last_seen'] or 'never'}")


@app.command()
def role(
    name: Name,
    role: Annotated[str, typer.Argument(help="watch, crew or owner.")],
    data: Data = DEFAULT_DATA,
) -> None:
    """Give a person another role. It counts at once."""
    with _office(data) as office:
        office.set_role(name, role)


@app.command()
def remove(name: Name, data: Data = DEFAULT_DATA) -> None:
    """Remove a person; they are signed out everywhere."""
    with _office(data) as office:
        office.remove(name)


@tokens.command("add")
def add_token(
    role: Role,
    name: Annotated[str, typer.Option(help="What it is for.")] = "program",
    days: Annotated[int | None, typer.Option(help="How long it works; else until ended.")] = None,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Make a token. It is shown once."""
    with _office(data) as office:
        token = office.add_token(name, role, days)
    typer.echo(json.dumps({"token": token}) if as_json else token)


@tokens.command("list")
def list_tokens(data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """List tokens by how they begin, with their roles and last uses."""
    with _office(data) as office:
        found = office.tokens()
    if as_json:
        typer.echo(json.dumps(found))
        return
    for each in found:
        used = each["last_used"] or "never"
        typer.echo(f"{each['id']:4} {each['prefix']}… {each['role']:6} {each['name']}, used {used}")


@tokens.command()
def revoke(
    which: Annotated[str, typer.Argument(help="Its number, or how it begins.")],
    data: Data = DEFAULT_DATA,
) -> None:
    """End a token at once."""
    with _office(data) as office:
        office.revoke_token(which)


@contextmanager
def _office(data: "Path") -> "Iterator[Office]":
    from haunt.bootstrap.people import Office  # noqa: PLC0415 - keeps --help fast
    from haunt.store.refusal import StoreRefused  # noqa: PLC0415
    from haunt.store.roster import PeopleRefused  # noqa: PLC0415

    try:
        yield Office(config_of(data, {}))
    except PeopleRefused as refused:
        fail(refused.what)
    except StoreRefused as refused:
        fail(str(refused))


def _link(url: str, title: str, as_json: bool) -> None:
    from haunt.bootstrap.people import printed  # noqa: PLC0415

    if as_json:
        typer.echo(json.dumps({"url": url}))
        return
    for line in printed(url, title):
        typer.echo(line)
