"""What the journal says of one board: its starts one by one, and what became of its cues."""

from typing import Final, NamedTuple

from sqlalchemy import Engine, func, select

from haunt.store import tables

HEALTH_MAX: Final = 20_000
"""A board says its health every five seconds: that many are more than a day of it."""
RUNS_MAX: Final = 12


class Run(NamedTuple):
    """One run of a board, from a start to its last word (UTC ms); `reset` is why it started.

    The weakest signal and the lowest volts that it told meanwhile.
    """

    boot: str
    reset: str
    from_ms: int
    until_ms: int
    up_ms: int
    weakest_dbm: int | None
    lowest_mv: int | None


class Became(NamedTuple):
    """How many cues ended in one way; `why` is of those that the board refused."""

    state: str
    why: str
    times: int


class BoardHistory:
    """Satisfies `site.boardports.BoardBook`; thread-safe."""

    def __init__(self, reading: Engine) -> None:
        self._reading = reading

    def runs(self, board: str) -> list[Run]:
        """Return the last runs between two starts, newest first."""
        health = tables.health
        newest = (
            select(health)
            .where(health.c.board == board)
            .order_by(health.c.id.desc())
            .limit(HEALTH_MAX)
            .subquery()
        )
        c = newest.c
        query = (
            select(
                c.boot,
                func.max(c.reset),
                func.min(c.at_ms),
                func.max(c.at_ms),
                func.max(c.up_ms),
                func.min(c.rssi),
                func.min(c.battery_mv),
            )
            .group_by(c.boot)
            .order_by(func.min(c.id).desc())
            .limit(RUNS_MAX)
        )
        with self._reading.connect() as connection:
            return [Run(*row) for row in connection.execute(query)]

    def became(self, board: str, since_ms: int) -> list[Became]:
        """Return how many cues it reported on in each way, the commonest first."""
        reports = tables.reports
        count = func.count().label("count")
        query = (
            select(reports.c.state, reports.c.why, count)
            .where(reports.c.at_ms >= since_ms, reports.c.board == board)
            .group_by(reports.c.state, reports.c.why)
            .order_by(count.desc(), reports.c.state, reports.c.why)
        )
        with self._reading.connect() as connection:
            return [Became(*row) for row in connection.execute(query)]
