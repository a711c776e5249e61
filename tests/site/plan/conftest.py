"""The garden's plan, an owner at it; one application for all, begun anew for each test."""

from collections.abc import Iterator

import pytest

from tests.site.plan.stage import PlanStage, a_plan


@pytest.fixture(scope="package")
def house() -> Iterator[PlanStage]:
    with a_plan() as found:
        yield found


@pytest.fixture
def plan(house: PlanStage) -> PlanStage:
    return house.begin()
