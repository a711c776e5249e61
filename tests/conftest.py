"""Hypothesis: the same examples every time in CI; HAUNT_LONG draws many new ones."""

import gc
import os
from collections.abc import Iterator

import pytest
from fastapi.dependencies import models
from hypothesis import HealthCheck, settings

settings.register_profile(
    "ci", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", deadline=None, max_examples=2000)
settings.load_profile("long" if os.environ.get("HAUNT_LONG") else "ci")


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Nine thousand tests stay to the end: no collection need look through them again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000)


@pytest.fixture(autouse=True, scope="module")
def nothing_left_over() -> Iterator[None]:
    """What a module leaves behind is left alone, too: it was looked at, and somebody holds it."""
    yield
    for each in vars(models).values():
        if hasattr(each, "cache_clear"):  # of each function of each app that ever was
            each.cache_clear()
    gc.collect()
    gc.freeze()
