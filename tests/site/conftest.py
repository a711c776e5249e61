"""One evening a test, in memory."""

from collections.abc import Iterator

import pytest

from tests.site.stage import Stage, a_stage


@pytest.fixture
def stage() -> Iterator[Stage]:
    with a_stage() as found:
        yield found
