"""A fresh database for each test, in a folder of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.store.stage import Opened, opened


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Opened]:
    with opened(tmp_path) as found:
        yield found
