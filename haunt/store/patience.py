"""A line to PostgreSQL that does not wait for ever for a server that is frozen or cut off.

The server's own time limits do not help then, and TCP is content as long as something takes bytes.
"""

from typing import Any, Final

import psycopg
from psycopg.errors import _WaitTimeout

ANSWER_S: Final = 12.0
"""Longer than the server itself would let a statement of ours run."""


class PatientConnection(psycopg.Connection[Any]):
    """`patience_s` is for one statement; None waits for ever, for what is known to take long."""

    patience_s: float | None = ANSWER_S

    def __del__(self, *_: object) -> None:
        """Our commands are short and leave what is in a pool to the end of the program."""

    def wait(self, gen: Any, interval: float = 0.1, timeout: float | None = None) -> Any:
        try:
            return super().wait(gen, interval, self.patience_s if timeout is None else timeout)
        except _WaitTimeout as fault:
            self.pgconn.finish()  # what it would still answer is no answer to what comes next
            raise psycopg.OperationalError(
                f"the database did not answer within {self.patience_s} s"
            ) from fault
