"""Every key of the show file, drawn from its models, and every setting of the server, in words."""

from collections.abc import Iterable
from typing import Final, NamedTuple

from haunt.config import SETTINGS
from haunt.site.plan.fields import Field, Kind, form_of
from haunt.site.plan.tables import BY_NAME

KINDS: Final = {
    Kind.TEXT: "text",
    Kind.NUMBER: "number",
    Kind.WHOLE: "whole number",
    Kind.SECONDS: "seconds",
    Kind.RANGE: "[least, most] seconds",
    Kind.TIME: "time",
    Kind.DATE: "date",
    Kind.YES: "true or false",
    Kind.MAYBE: "true or false",
    Kind.CHOICE: "one of",
    Kind.CHOICES: "list of",
    Kind.REF: "id of a",
    Kind.REFS: "list of ids of a",
    Kind.LINES: "list of texts",
    Kind.PAIRS: "names and values",
    Kind.TRACKS: "tracks by name",
}

SERVER: Final = {
    "listen": "Address and port of the pages. 0.0.0.0:8080 lets phones in; port 0 takes any.",
    "mqtt": "Address and port of the broker that haunt keeps: where boards sign in.",
    "broker": "auto keeps Mosquitto where it is installed; library is for trying out; "
    "mqtt://HOST:PORT or mqtts://… is one that you keep yourself.",
    "broker_ca": "File with the authority of a mqtts broker's certificate, where the system does "
    "not know it.",
    "database": "Where nights are kept: nothing for SQLite in the data folder, or "
    "postgresql+psycopg://….",
    "show": "A show file to take in at the start, as the newest version.",
    "name": "Names under which browsers come, commas between: haunt.local.",
    "mdns": "Name announced on the network, without .local; off announces nothing.",
    "tls": "auto: https where haunt certs made a certificate; on insists; off is plain http.",
    "webhook": "URL that every alert is posted to as JSON. Nothing else leaves the house.",
    "log": "warnings; text or json tell each motion's way to its cue on standard error.",
}


class KeyRow(NamedTuple):
    """One key: what it holds, what it may be, what it is where left out."""

    key: str
    kind: str
    allowed: str
    default: str
    label: str
    hint: str


class TableRows(NamedTuple):
    """A table of the show file as a person writes its head, with its keys."""

    anchor: str
    head: str
    hint: str
    rows: tuple[KeyRow, ...]


class ServerRow(NamedTuple):
    """One setting of the server, in its three spellings."""

    key: str
    flag: str
    variable: str
    default: str
    hint: str


def tables() -> list[TableRows]:
    found = []
    for name, table in BY_NAME.items():
        form = form_of(name)
        head = f"[{name}]" if table.is_single else f"[[{name}]]"
        rows = [_row(each) for each in form.fields]
        for group in form.groups:
            fields = group.numbered(0) if group.is_many else group.fields
            rows += [_row(each, group.name, is_many=group.is_many) for each in fields]
        found.append(TableRows(name.replace(".", "-"), head, table.called.hint, tuple(rows)))
    return found


def _row(field: Field, within: str = "", *, is_many: bool = False) -> KeyRow:
    key = field.key
    if within:
        key = f"{within}[].{key}" if is_many else f"{within}.{key}"
    default = "needed" if field.is_needed else field.default or "nothing"
    return KeyRow(key, _kind(field), _allowed(field), default, field.said.label, field.said.hint)


def _kind(field: Field) -> str:
    kind, unit = KINDS[field.kind], field.unit
    if field.target:
        return f"{kind} {BY_NAME[field.target].called.one.lower()}"
    return f"{kind}, {unit}" if unit and unit not in {"s", kind} else kind


def _allowed(field: Field) -> str:
    if field.choices:
        return ", ".join(field.choices)
    least, most = field.bounds
    if least and most:
        return f"{least} to {most}"
    return f"{least} and more" if least else f"up to {most}" if most else ""


def server_rows() -> Iterable[ServerRow]:
    for key, default in SETTINGS.items():
        flag = f"--{key.replace('_', '-')}"
        yield ServerRow(key, flag, f"HAUNT_{key.upper()}", default or "nothing", SERVER[key])
