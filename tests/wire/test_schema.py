"""Goal: the published schemas say what the decoder does.

Method: somebody else's validator over the golden bytes, and every reference of the AsyncAPI
document followed to its end.
"""

import json
import re
from collections.abc import Iterator

import jsonschema
import pytest
from jsonschema.validators import extend

from haunt.wire.schema import asyncapi, schemas
from haunt.wire.topics import KINDS, QOS, RETAINED, UP_KINDS, Topics
from tests.outside.registry import outside
from tests.wire.vectors import VECTORS, Vector

# What a schema cannot say: the length in bytes, and that 41.0 is no integer. A pattern ends at the
# end (ECMA 262); Python's own `$` would let a line break follow.
BYTES_MAX = 2048
CHECKER = jsonschema.Draft202012Validator.TYPE_CHECKER.redefine(
    "integer", lambda _checker, value: type(value) is int
)


def _pattern(
    _validator: object, pattern: str, value: object, _schema: object
) -> Iterator[jsonschema.ValidationError]:
    if isinstance(value, str) and not re.search(pattern.replace("$", r"\Z"), value):
        yield jsonschema.ValidationError(f"{value!r} does not match {pattern!r}")


Strict = extend(jsonschema.Draft202012Validator, {"pattern": _pattern}, type_checker=CHECKER)


def _not_a_number(word: str) -> object:
    raise ValueError(word)


def _by_schema(vector: Vector) -> bool:
    try:
        value = json.loads(vector.payload.decode("utf-8"), parse_constant=_not_a_number)
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError):
        return False
    return bool(Strict(schemas()[vector.model]).is_valid(value))


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.name)
def test_the_schema_takes_and_refuses_the_same_golden_bytes(vector: Vector) -> None:
    if len(vector.payload) > BYTES_MAX:
        assert not vector.valid
        return
    if vector.name == "motion nested a thousand deep":
        assert not vector.valid  # in the eyes of a schema any ignored key is fine
        return
    assert _by_schema(vector) is vector.valid
    outside("schemas/golden").agrees()


@pytest.mark.parametrize("kind", KINDS)
def test_each_schema_is_a_schema(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schemas()[kind])
    assert schemas()[kind]["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    outside("schemas/meta").agrees()


def _refs(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"]
        for value in node.values():
            yield from _refs(value)
    elif isinstance(node, list):
        for value in node:
            yield from _refs(value)


def _follow(document: dict[str, object], ref: str) -> object:
    node: object = document
    for step in ref.removeprefix("#/").split("/"):
        assert isinstance(node, dict)
        node = node[step]
    return node


def test_every_reference_of_the_document_leads_somewhere() -> None:
    document = asyncapi()
    refs = list(_refs(document))
    assert len(refs) > 3 * len(KINDS)
    assert all(_follow(document, ref) for ref in refs)


def test_the_document_is_json() -> None:
    assert json.loads(json.dumps(asyncapi())) == asyncapi()


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_gives_each_kind_its_address_direction_qos_and_retain_flag(kind: str) -> None:
    document = asyncapi()
    channel = _follow(document, f"#/channels/{kind}")
    assert isinstance(channel, dict)
    address = channel["address"].replace("{show}", "first-night").replace("{board}", "gate")
    found = Topics("first-night").parse(address)
    assert found is not None
    assert found.kind == kind
    assert set(channel["parameters"]) == set(re.findall(r"\{(\w+)\}", channel["address"]))

    action = "receive" if kind in UP_KINDS else "send"
    operation = _follow(document, f"#/operations/{action}-{kind}")
    assert isinstance(operation, dict)
    assert operation["action"] == action
    binding = operation["bindings"]["mqtt"]
    assert (binding["qos"], binding["retain"]) == (QOS[found.kind], found.kind in RETAINED)


def test_the_documents_payloads_are_those_of_the_schemas() -> None:
    motion = _follow(asyncapi(), "#/components/messages/motion/payload")
    assert isinstance(motion, dict)
    if "$ref" in motion:
        motion = _follow(asyncapi(), motion["$ref"])
    assert isinstance(motion, dict)
    assert motion["properties"] == schemas()["motion"]["properties"]
    assert motion["required"] == ["sensor", "boot", "seq", "age_ms"]
