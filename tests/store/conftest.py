"""A fresh database for each test, of each kind that haunt knows, in a folder of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.store.stage import KINDS, Opened, bare_url_of, fresh_url, opened


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    found: str = request.param
    return found


@pytest.fixture
def url(kind: str) -> str:
    """What names the test's own database: nothing where it is the data folder's file."""
    return fresh_url(kind)


@pytest.fixture
def bare_url(kind: str) -> str:
    """The same without a table in it."""
    return bare_url_of(kind)


@pytest.fixture
def database(tmp_path: Path, url: str) -> Iterator[Opened]:
    with opened(tmp_path, url) as found:
        yield found


@pytest.fixture
def in_file(tmp_path: Path) -> Iterator[Opened]:
    """For what is SQLite's alone."""
    with opened(tmp_path) as found:
        yield found


@pytest.fixture
def on_server(tmp_path: Path) -> Iterator[Opened]:
    """For what is PostgreSQL's alone."""
    with opened(tmp_path, fresh_url("postgresql")) as found:
        yield found
