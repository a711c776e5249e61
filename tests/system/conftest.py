"""The databases under which a whole server is tried: its own file, and a PostgreSQL server."""

import pytest

from tests.store.stage import KINDS, bare_url_of


@pytest.fixture(params=KINDS)
def either_database(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every `haunt` that the test starts is told of it, as by an administrator's settings."""
    url = bare_url_of(request.param)
    if url:
        monkeypatch.setenv("HAUNT_DATABASE", url)
    return url
