"""Goal: a restart finds the night that was, though the show was changed in the midst of it.

Method: a short night by the real arbiter in a data folder, and what a start would make of it.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

from haunt.bootstrap.offline import open_store
from haunt.config import Config
from haunt.core import events
from haunt.live.ports import Record
from haunt.live.prepare import prepare
from haunt.store.ledger import Ledger
from haunt.store.writer import Writer
from haunt.wire.showfile import read_show
from tests.core.stage import EVENING
from tests.store.nights import SEED, SHOW, config_of, lay, state_of

LONGER = SHOW.replace("cooldown_s = 1", "cooldown_s = 60")
MOTIONS = 30
"""The newest snapshot stands after seventeen of them; each starts a behaviour."""


def changed(config: Config, *, told: bool) -> None:
    """A new version is saved first, then it is an event; between the two it may all end."""
    show = prepare(read_show(LONGER, "show").show, SEED).show
    writing, reading = open_store(config)
    Writer(writing).save_show(LONGER, "mara", EVENING)
    if told:
        number, at = MOTIONS + 5, 3000 * MOTIONS + 4000
        event = events.ShowChanged(at, EVENING + at, show, 2, "mara")
        ledger = Ledger(writing)
        ledger.write([Record(number, at, EVENING + at, event, show_version=2)])
        ledger.close()
    writing.dispose()
    reading.dispose()


def test_what_happened_before_a_change_of_the_show_is_not_judged_by_the_new_one(
    tmp_path: Path,
) -> None:
    for told in (False, True):
        config = config_of(tmp_path / str(told))
        lay(config, motions=MOTIONS)
        before = state_of(config).state

        changed(config, told=told)
        after = state_of(config).state

        assert before is not None
        assert after is not None
        assert before["night"]["fired"] == after["night"]["fired"] == MOTIONS
        assert after["props"]["keeper"]["starts_ms"] == before["props"]["keeper"]["starts_ms"]


def test_a_version_that_can_no_longer_be_read_keeps_nobody_from_starting(tmp_path: Path) -> None:
    config = config_of(tmp_path)
    lay(config, motions=MOTIONS)
    changed(config, told=False)
    with closing(sqlite3.connect(tmp_path / "haunt.db")) as kept, kept:
        kept.execute("UPDATE shows SET text = 'of another age' WHERE version = 1")

    found = state_of(config).state

    assert found is not None
    assert found["props"]["keeper"]["held"]
