"""One evening a test, in memory."""

from collections.abc import Iterator

import pytest
from jinja2 import BytecodeCache, Environment
from jinja2.bccache import Bucket

from haunt.site import app, fragments
from tests.site.stage import Stage, a_stage


class Compiled(BytecodeCache):
    """Templates that a test has compiled are there for the next; a server compiles them once."""

    def __init__(self) -> None:
        self._known: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if bucket.key in self._known:
            bucket.bytecode_from_string(self._known[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._known[bucket.key] = bucket.bytecode_to_string()


@pytest.fixture(autouse=True, scope="session")
def compiled_once() -> Iterator[None]:
    compiled = Compiled()

    def environment() -> Environment:
        found = fragments.environment()
        found.bytecode_cache = compiled
        return found

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(app, "environment", environment)
        yield


@pytest.fixture
def stage() -> Iterator[Stage]:
    with a_stage() as found:
        yield found
