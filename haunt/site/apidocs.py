"""The page that describes the API: its own description, drawn as tables that work anywhere."""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from haunt.site.pages import Pages
from haunt.site.rights import find

Schema = Mapping[str, Any]
Describe = Callable[[], Mapping[str, Any]]
ORDER: Final = ("get", "put", "patch", "post", "delete")
LIMITS: Final = {
    "minimum": "from {}",
    "maximum": "to {}",
    "maxLength": "at most {} letters",
    "default": "else {}",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One value that goes along: `place` is path, query, header or body."""

    name: str
    place: str
    kind: str
    must: bool
    about: str


@dataclass(frozen=True, slots=True)
class Operation:
    id: str
    method: str
    path: str
    about: tuple[str, ...]
    role: str
    fields: tuple[Field, ...]
    example: str


@dataclass(frozen=True, slots=True)
class Group:
    name: str
    operations: tuple[Operation, ...]


def routes(pages: Pages, describe: Describe) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/docs")
    async def docs(request: Request) -> HTMLResponse:
        found = describe()
        return pages.page(
            request, "docs.html", groups=groups_of(found), about=found["info"].get("summary", "")
        )

    return router


def groups_of(description: Mapping[str, Any]) -> list[Group]:
    found: dict[str, list[Operation]] = {}
    schemas = description.get("components", {}).get("schemas", {})
    for path, methods in description["paths"].items():
        for method in ORDER:
            if method in methods:
                told = methods[method]
                operation = _operation(method, path, told, schemas)
                found.setdefault(next(iter(told.get("tags", ())), "journal"), []).append(operation)
    return [Group(name, tuple(each)) for name, each in sorted(found.items())]


def _operation(method: str, path: str, told: Schema, schemas: Schema) -> Operation:
    right = find(method.upper(), path).right
    body = told.get("requestBody", {}).get("content", {}).get("application/json")
    fields = [*_parameters(told), *(_body(body["schema"], schemas) if body else ())]
    about = told.get("description") or f"{told.get('summary', '')}."
    return Operation(
        f"{method}-{path.strip('/').replace('/', '-')}".translate(str.maketrans("", "", "{}")),
        method.upper(),
        path,
        tuple(about.split("\n\n")),
        right.least.word if right is not None else "",
        tuple(fields),
        _example(method, path, fields),
    )


def _parameters(told: Schema) -> Iterator[Field]:
    for each in told.get("parameters", ()):
        kind = _kind(each["schema"], {})
        about = each.get("description", "")
        yield Field(each["name"], each["in"], kind, bool(each.get("required")), about)


def _body(schema: Schema, schemas: Schema) -> Iterator[Field]:
    for whole in _all(schema, schemas):
        must = whole.get("required", ())
        for name, each in whole.get("properties", {}).items():
            about = each.get("description", "")
            yield Field(name, "body", _kind(each, schemas), name in must, about)


def _all(schema: Schema, schemas: Schema) -> Iterator[Schema]:
    """Follow a name to what it stands for, and a choice to each that may be chosen."""
    if "$ref" in schema:
        yield from _all(schemas[schema["$ref"].rpartition("/")[2]], schemas)
    elif "anyOf" in schema:
        for each in schema["anyOf"]:
            yield from _all(each, schemas)
    else:
        yield schema


def _kind(schema: Schema, schemas: Schema) -> str:
    parts = list(_all(schema, schemas))
    kinds = " or ".join(dict.fromkeys(str(each.get("type", "any")) for each in parts))
    told = {name: value for each in (*parts, schema) for name, value in each.items()}
    limits = [words.format(_limit(told[n])) for n, words in LIMITS.items() if _is_said(told, n)]
    return ", ".join([kinds, *limits])


def _is_said(told: Schema, name: str) -> bool:
    return name in told and told[name] not in {None, "", 2**63 - 1}


def _limit(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else json.dumps(value)


def _example(method: str, path: str, fields: list[Field]) -> str:
    body = {each.name: _sample(each) for each in fields if each.place == "body" and each.must}
    parts = ["curl", '-H "Authorization: Bearer $TOKEN"']
    if method != "get":
        parts.append(f"-X {method.upper()}")
    if body:
        parts.append(f"-H 'Content-Type: application/json' -d '{json.dumps(body)}'")
    return " ".join([*parts, f'"$HAUNT{path}"'])


def _sample(of: Field) -> object:
    samples: dict[str, object] = {"boolean": True, "number": 60, "integer": 1, "array": []}
    return next((each for kind, each in samples.items() if of.kind.startswith(kind)), "gentle")
