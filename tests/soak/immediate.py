"""PostgreSQL stopped as if the power went, again and again, while a journal writes to it.

What was told to be kept is there after each recovery, whole and once; what waited comes after it,
in order, with nothing given up, for the journal opens another line by itself.
"""

import threading
from pathlib import Path

from haunt.core.dice import draw
from haunt.store.engines import open_engines
from haunt.store.journal import SqlJournal
from haunt.store.schema import upgrade
from tests.cluster import Cluster, of_its_own
from tests.soak.outcome import Outcome
from tests.store.flaky import whole
from tests.store.stage import Heard

BACKLOG = 300
FIRST, MORE = 20, 150
TABLES = {"events": 1, "motions": 1, "decisions": 2, "reports": 1}


def run(count: int, seed: int, folder: Path) -> Outcome:
    outcome, heard, ending = Outcome(), Heard(), threading.Event()
    with of_its_own() as cluster:
        name = cluster.fresh()
        writing, reading = open_engines(folder, cluster.url(name))
        upgrade(writing)
        journal = SqlJournal(writing, give_up_s=600)
        journal.start(heard)
        put = _Putting(journal, ending)
        put.start()
        for number in range(count):
            heard.wait_for(kept=len(heard.kept) + FIRST + draw(seed, f"stop {number}", MORE))
            told = max(heard.kept)
            cluster.stop("immediate")
            outcome.injected["PostgreSQL stopped at once"] += 1
            cluster.start()
            outcome.failures += _wrong(cluster, name, told)
        ending.set()
        put.join()
        journal.close(30)
        outcome.expect(not heard.gone, f"{len(heard.gone)} records were given up")
        outcome.expect(heard.kept == list(range(1, put.last + 1)), "told out of order, or not all")
        outcome.failures += _wrong(cluster, name, put.last, at_most=put.last)
        outcome.noted["records told to be kept"] = len(heard.kept)
        writing.dispose()
        reading.dispose()
    return outcome


class _Putting(threading.Thread):
    """Puts records as fast as they are taken."""

    def __init__(self, journal: SqlJournal, ending: threading.Event) -> None:
        super().__init__(daemon=True)
        self._journal, self._ending, self.last = journal, ending, 0

    def run(self) -> None:
        while not self._ending.is_set():
            if self._journal.counts().backlog < BACKLOG:
                self._journal.put(whole(self.last + 1))
                self.last += 1
            else:
                self._ending.wait(0.001)


def _wrong(cluster: Cluster, name: str, told: int, at_most: int | None = None) -> list[str]:
    """What the database has must be 1, 2, 3 and so on to at least what was told, each whole."""
    found = []
    with cluster.connect(name) as connection:
        for table, times in TABLES.items():
            key = "cue" if table == "reports" else "number"
            query = f"SELECT {key} FROM {table} ORDER BY {'number' if table == 'events' else 'id'}"
            rows = connection.execute(query.encode()).fetchall()
            numbers = [int(str(row[0]).removeprefix("c-")) for row in rows]
            wanted = [n for n in range(1, len(numbers) // times + 1) for _ in range(times)]
            if numbers != wanted:
                found.append(f"{table}: not each record once and in order")
            elif len(numbers) // times < told or len(numbers) // times > (at_most or 2**60):
                found.append(f"{table}: {len(numbers) // times} records, {told} were told")
    return found
