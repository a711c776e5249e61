"""Goal: what a start can do without is not kept on a full disk, and the start goes on.

Method: a database whose driver refuses every write; an office that has its owner already.
"""

from haunt.bootstrap.people import set_up_link
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader
from haunt.store.writer import Writer
from tests.core.stage import EVENING
from tests.store.flaky import Driver, flaky
from tests.store.stage import Opened

URL = "http://127.0.0.1:8080"


def test_a_setting_that_finds_no_room_is_told_and_raises_nothing(database: Opened) -> None:
    driver = Driver()
    with flaky(database, driver) as engine:
        driver.broken = True
        assert not Writer(engine).keep_if_possible("clocks", "[]")
        driver.broken = False
        assert Writer(engine).keep_if_possible("clocks", '["c1"]')

    assert database.reader.setting("clocks") == '["c1"]'


def test_a_show_that_has_an_owner_needs_no_write_to_know_it(database: Opened) -> None:
    driver = Driver()
    with flaky(database, driver) as engine:
        store = PeopleStore(engine, database.writing)
        assert set_up_link(store, URL) is not None, "nobody owns it yet"
        store.add_person("Ines", "owner", "", EVENING)
        driver.broken = True

        assert set_up_link(store, URL) is None
        assert driver.failures == 0

    assert Reader(database.writing).last_number() == 0
