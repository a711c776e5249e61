"""Goal: the AsyncAPI document is one by the published schema of AsyncAPI 3.0.0.

Method: the AsyncAPI Initiative's own JSON Schema (source and changes at its head, licence Apache
2.0) with somebody else's validator, which must also refuse spoilt documents; the messages' golden
bytes against the document's own schemas.
"""

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from haunt.wire.schema import asyncapi
from haunt.wire.topics import KINDS
from tests.outside.registry import outside
from tests.wire.test_schema import Strict
from tests.wire.vectors import VECTORS

PUBLISHED = Path(__file__).parent / "data" / "asyncapi-3.0.0.json"


@pytest.fixture(scope="module")
def published() -> Any:
    schema = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    jsonschema.Draft7Validator.check_schema(schema)
    return jsonschema.Draft7Validator(schema)


def faults(published: Any, document: dict[str, Any]) -> list[str]:
    return [f"{list(each.path)}: {each.message[:200]}" for each in published.iter_errors(document)]


def test_the_document_is_one_by_the_published_schema(published: Any) -> None:
    assert faults(published, asyncapi()) == []
    outside("asyncapi/document").agrees()


def _no_title(document: dict[str, Any]) -> None:
    del document["info"]["title"]


def _sideways(document: dict[str, Any]) -> None:
    document["operations"]["send-cue"]["action"] = "sideways"


def _no_channel(document: dict[str, Any]) -> None:
    del document["operations"]["send-cue"]["channel"]


def _qos_3(document: dict[str, Any]) -> None:
    document["operations"]["send-cue"]["bindings"]["mqtt"]["qos"] = 3


def _another_version(document: dict[str, Any]) -> None:
    document["asyncapi"] = "2.6.0"


def _openapi_discriminator(document: dict[str, Any]) -> None:
    document["components"]["messages"]["presence"]["payload"]["discriminator"] = {"mapping": {}}


@pytest.mark.parametrize(
    "spoil",
    [_no_title, _sideways, _no_channel, _qos_3, _another_version, _openapi_discriminator],
)
def test_a_spoilt_document_is_refused(
    published: Any, spoil: Callable[[dict[str, Any]], None]
) -> None:
    document = copy.deepcopy(asyncapi())
    spoil(document)

    assert faults(published, document) != []


@pytest.mark.parametrize("kind", KINDS)
def test_the_documents_own_schema_takes_and_refuses_golden_bytes(kind: str) -> None:
    document = asyncapi()
    components = document["components"]
    assert isinstance(components, dict)
    payload = components["messages"][kind]["payload"]
    validator = Strict({**payload, "components": components})
    seen, count = set(), 0
    for vector in VECTORS:
        if vector.model != kind or len(vector.payload) > 2048 or "nested" in vector.name:
            continue
        try:
            value = json.loads(vector.payload.decode(), parse_constant=_refuse)
            json.dumps(value, ensure_ascii=False).encode()
        except (ValueError, RecursionError):
            continue  # no JSON, so nothing for a schema to say
        assert validator.is_valid(value) is vector.valid, vector.name
        seen.add(vector.valid)
        count += 1
    assert seen == {True, False}
    outside("asyncapi/golden").agrees(cases=count)


def _refuse(word: str) -> object:
    raise ValueError(word)
