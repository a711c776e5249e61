"""Goal: the description of the HTTP API is an OpenAPI document, by those who make the standard.

Method: their JSON Schema of OpenAPI 3.1, as schemathesis carries it; spoilt copies are refused.
"""

import copy
from collections.abc import Callable
from typing import Any

import pytest
from schemathesis.specs.openapi.definitions import OPENAPI_31_VALIDATOR

from tests.outside.registry import outside
from tests.site.stage import Stage


def faults(document: dict[str, Any]) -> list[str]:
    return [str(each)[:200] for each in OPENAPI_31_VALIDATOR.iter_errors(document)]


@pytest.fixture
def document(stage: Stage) -> dict[str, Any]:
    found: dict[str, Any] = stage.client.get("/api/v1/openapi.json").json()
    return found


def test_the_description_is_one_by_the_published_schema(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")
    assert faults(document) == []
    outside("openapi/document").agrees(cases=sum(map(len, document["paths"].values())))


def _no_title(document: dict[str, Any]) -> None:
    del document["info"]["title"]


def _no_paths(document: dict[str, Any]) -> None:
    del document["paths"]
    document.pop("components", None)
    document.pop("webhooks", None)


def _nowhere(document: dict[str, Any]) -> None:
    first(document)["parameters"] = [{"name": "prop", "in": "nowhere", "schema": {}}]


def _unnamed(document: dict[str, Any]) -> None:
    first(document)["parameters"] = [{"in": "query", "schema": {}}]


def _answer_of_no_number(document: dict[str, Any]) -> None:
    first(document)["responses"]["fine"] = {"description": "x"}


def _silent_answer(document: dict[str, Any]) -> None:
    first(document)["responses"]["200"] = {}


def first(document: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = document["paths"]["/api/v1/props"]["get"]
    return found


@pytest.mark.parametrize(
    "spoil", [_no_title, _no_paths, _nowhere, _unnamed, _answer_of_no_number, _silent_answer]
)
def test_a_spoilt_description_is_refused(
    document: dict[str, Any], spoil: Callable[[dict[str, Any]], None]
) -> None:
    spoilt = copy.deepcopy(document)
    spoil(spoilt)

    assert faults(spoilt) != []
