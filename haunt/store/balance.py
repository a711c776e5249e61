"""What boards counted themselves, held against what the journal has of it: never a silent loss.

Read only. A board counts when it happens and the journal when it is committed, so what is missing
was lost on the way: by the radio, by a broker that died, or by a disk that failed.
"""

import json
from collections.abc import Iterator
from typing import Final, NamedTuple

from sqlalchemy import Connection, Engine, Select, func, select

from haunt.store import tables

BOOTS_MAX: Final = 500

Counts = dict[tuple[str, str], int]
"""By board and boot."""


class Balance(NamedTuple):
    """One board from one power-up to the next.

    `counted` and `starts` are the board's own sums as it told them last. `missing` are motions of
    that count that the journal has not. `started` are cues that the board said it started;
    `unwritten` those of them that no row says were sent: a controller was killed between sending
    and writing. `contradicted` are the started whose decision says something else than fired.
    """

    board: str
    boot: str
    counted: int
    journalled: int
    missing: int
    starts: int
    started: int
    unwritten: int
    contradicted: int

    @property
    def is_even(self) -> bool:
        return not (self.missing or self.unwritten or self.contradicted)


def balances(engine: Engine) -> list[Balance]:
    """Return the newest boots, oldest first; one that never told its counters is left out."""
    with engine.connect() as connection:
        return list(_balances(connection))


def _balances(connection: Connection) -> Iterator[Balance]:
    started, unwritten, contradicted = _started(connection)
    for board, boot, motions, starts in connection.execute(_LAST_WORDS).all():
        counted = sum(json.loads(motions).values())
        journalled, key = _journalled(connection, board, boot, counted), (board, boot)
        yield Balance(
            board,
            boot,
            counted,
            journalled,
            counted - journalled,
            sum(json.loads(starts).values()),
            started.get(key, 0),
            unwritten.get(key, 0),
            contradicted.get(key, 0),
        )


def _last_words() -> Select[str, str, str, str]:
    table = tables.health
    newest = (
        select(func.max(table.c.id).label("id"))
        .group_by(table.c.board, table.c.boot)
        .order_by(func.max(table.c.id).desc())
        .limit(BOOTS_MAX)
        .subquery()
    )
    told = select(table.c.board, table.c.boot, table.c.motions, table.c.starts)
    return told.join(newest, newest.c.id == table.c.id).order_by(table.c.id)


_LAST_WORDS: Final = _last_words()


def _journalled(connection: Connection, board: str, boot: str, counted: int) -> int:
    """Count no motion that came after the counters were told: its number is above them."""
    table = tables.motions
    of_it = (table.c.board == board, table.c.boot == boot, table.c.seq <= counted)
    return connection.execute(select(func.count()).where(*of_it)).scalar_one()


def _started(connection: Connection) -> tuple[Counts, Counts, Counts]:
    """Cues that boards said they started: all, those never written, those decided otherwise."""
    reports, cues, decisions = tables.reports, tables.cues, tables.decisions
    started = (
        select(reports.c.board, reports.c.boot, func.count(reports.c.cue.distinct()))
        .where(reports.c.state == "started")
        .group_by(reports.c.board, reports.c.boot)
    )
    fired = select(decisions.c.cue).where(
        decisions.c.outcome == "fired", decisions.c.cue.is_not(None)
    )
    unwritten = started.where(reports.c.cue.not_in(select(cues.c.cue)))
    contradicted = started.where(reports.c.cue.not_in(fired))
    found = [_counts(connection, each) for each in (started, unwritten, contradicted)]
    return found[0], found[1], found[2]


def _counts(connection: Connection, query: Select[str, str, int]) -> Counts:
    return {(row[0], row[1]): row[2] for row in connection.execute(query)}
