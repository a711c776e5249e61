"""A garden for each test, ended whatever happens."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.mqtt.stage import Garden


@pytest.fixture
def idle(tmp_path: Path) -> Iterator[Garden]:
    """Nothing is started yet."""
    found = Garden(tmp_path)
    try:
        yield found
    finally:
        found.end()


@pytest.fixture
def garden(idle: Garden) -> Garden:
    """Boards b1 and b2 have credentials, and the broker runs."""
    idle.admit("b1", "b2")
    idle.start()
    return idle
