"""Goal: counts and packs come out of a real journal as they were put in, in few statements.

Method: an evening written into the tables (`packnight.py`), the books over it, statements counted.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from haunt.bootstrap.counting import Countings, PackWatch
from haunt.site.countports import Counts, Packs
from haunt.store.engines import open_engines
from tests.bootstrap.packnight import FROM_MS, GARDEN, LOST, lay

HOURS = 2.5
NOW_MS = FROM_MS + round(HOURS * 3_600_000)


@pytest.fixture(scope="module")
def reading(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    data: Path = tmp_path_factory.mktemp("evening")
    lay(data, HOURS)
    writing, reading = open_engines(data)
    yield reading
    writing.dispose()
    reading.dispose()


@contextmanager
def statements(engine: Engine) -> Iterator[list[str]]:
    said: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
        said.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield said
    event.remove(engine, "before_cursor_execute", note)


def counts_of(reading: Engine, day: str | None = None) -> Counts:
    found = Countings(reading, lambda: "Europe/Berlin").counts(day)
    assert isinstance(found, Counts)
    return found


def packs_of(reading: Engine, day: str | None = None, now_ms: int = NOW_MS) -> Packs:
    watch = PackWatch(reading, lambda: (1, GARDEN.read_text()), lambda: now_ms)
    found = watch.packs(day)
    assert isinstance(found, Packs)
    return found


def test_what_was_decided_is_counted_once(reading: Engine) -> None:
    found = counts_of(reading)
    with reading.connect() as connection:
        rows = connection.exec_driver_sql("SELECT count(*), sum(outcome = 'fired') FROM decisions")
        [(count, fired)] = rows.all()

    assert (found.night.whole.all, found.night.whole.fired) == (count, fired)
    assert found.night.day == "2026-10-30"
    assert found.nights == ((found.nights[0][0], found.night.whole),)
    assert sum(cell.all for _, cell in found.night.props) == count


def test_a_board_that_lost_motions_is_told_with_how_many(reading: Engine) -> None:
    by_board = {each.board: each for each in counts_of(reading).boards}

    assert by_board["well"].lost == len(LOST)
    assert by_board["well"].difference == len(LOST)
    assert "never came, by their numbers" in by_board["well"].why
    assert by_board["tree"].why == "", "three restarts, and none of its motions missing"
    assert by_board["gate"].why == ""


def test_each_page_asks_three_statements_at_most(reading: Engine) -> None:
    with statements(reading) as said:
        counts_of(reading)
    assert 1 <= len(said) <= 3
    with statements(reading) as said:
        packs_of(reading)
    assert 1 <= len(said) <= 3


def test_packs_of_the_running_night_look_ahead_to_close(reading: Engine) -> None:
    found = packs_of(reading)
    by_board = {each.board: each for each in found.curves}

    assert not found.is_over
    assert found.day == "2026-10-30"
    assert by_board["tree"].outlook is not None
    assert by_board["tree"].outlook.sure < 0.1
    assert by_board["tree"].brown_outs == 3
    assert by_board["hedge"].outlook is not None
    assert by_board["hedge"].outlook.sure > 0.9
    assert by_board["clock"].now is None


def test_a_night_that_is_over_is_drawn_to_its_end(reading: Engine) -> None:
    found = packs_of(reading, "2026-10-30", NOW_MS + 86_400_000)
    assert found.is_over
    assert found.now_ms == found.span.until_ms


@pytest.mark.parametrize("day", ["yesterday", "2026-13-40"])
def test_what_is_no_night_is_said_in_words(reading: Engine, day: str) -> None:
    assert "no date" in str(Countings(reading, lambda: "UTC").counts(day))
    watch = PackWatch(reading, lambda: (1, GARDEN.read_text()), lambda: NOW_MS)
    assert "no date" in str(watch.packs(day))


def test_an_empty_journal_says_so(tmp_path: Path) -> None:
    from haunt.store.schema import upgrade  # noqa: PLC0415

    writing, reading = open_engines(tmp_path)
    upgrade(writing)
    assert "no decision" in str(Countings(reading, lambda: "UTC").counts(None))
    watch = PackWatch(reading, lambda: (1, GARDEN.read_text()), lambda: NOW_MS)
    assert "no board" in str(watch.packs(None))
    writing.dispose()
    reading.dispose()
