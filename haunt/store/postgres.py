"""PostgreSQL as the store wants it: writers that wait for the log, readers that cannot write.

Nobody waits for ever: not for a connection, a lock, a statement, or a server that has vanished.
"""

import secrets
from typing import Any, Final, NamedTuple

from sqlalchemy import URL, Connection, Engine, ExceptionContext, create_engine, event, text

from haunt.store.refusal import StoreRefused

CONNECT_S: Final = 5
VANISHED_MS: Final = 8_000
"""How long what was sent may stay unanswered by the other machine before the line is dead."""
POOL_S: Final = 5.0
VERSION_MIN: Final = 13
QUERY_CANCELED: Final = "57014"
TOKEN: Final = secrets.token_hex(6)
"""This process among the servers on one database; every line of ours is called after it."""
LINE: Final[dict[str, Any]] = {
    "connect_timeout": CONNECT_S,
    "tcp_user_timeout": VANISHED_MS,
    "keepalives_idle": 3,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "application_name": f"haunt-{TOKEN}",
    "client_encoding": "utf8",
}
WRITES: Final = (
    "SET synchronous_commit = on",  # told to be kept means kept, whatever the server's default
    "SET statement_timeout = '10s'",
    "SET lock_timeout = '5s'",
    "SET idle_in_transaction_session_timeout = '60s'",
)
READS: Final = (
    "SET idle_in_transaction_session_timeout = '60s'",
    "SET default_transaction_read_only = on",
    "SET statement_timeout = '10s'",
    # What is asked for differs too much for one plan: a reason that comes daily, or never.
    "SET plan_cache_mode = force_custom_plan",
)


def open_postgresql(url: URL) -> tuple[Engine, Engine]:
    """Return (writer, reader), each with a pool of its own: pages never hold up the journal."""
    try:
        writer, reader = (
            create_engine(
                url,
                pool_size=4,
                max_overflow=12,
                pool_timeout=POOL_S,
                pool_pre_ping=True,
                connect_args=LINE,
            )
            for _ in range(2)
        )
    except ModuleNotFoundError as fault:
        raise StoreRefused(
            "PostgreSQL needs the package psycopg: pip install 'psycopg[binary]'"
        ) from fault
    _prepare(writer, WRITES)
    _prepare(reader, READS)
    event.listen(reader, "handle_error", _in_words)
    return writer, reader


def without_hurry(connection: Connection) -> None:
    """Let the statements of this transaction take as long as they take; no-op for a file."""
    if connection.dialect.name != "postgresql":
        return
    connection.execute(text("SET LOCAL statement_timeout = 0"))
    connection.execute(text("SET LOCAL lock_timeout = '60s'"))
    line: Any = connection.connection.driver_connection
    line.patience_s = None


def _prepare(engine: Engine, settings: tuple[str, ...]) -> None:
    from haunt.store.patience import PatientConnection  # noqa: PLC0415 - an extra

    def connect(_dialect: object, _record: object, words: Any, named: Any) -> Any:
        return PatientConnection.connect(*words, **named)

    def connected(connection: Any, _record: object) -> None:
        before, connection.autocommit = connection.autocommit, True
        for each in settings:
            connection.execute(each)
        connection.autocommit = before

    def hurry_again(connection: Any, _record: object, _state: object) -> None:
        vars(connection).pop("patience_s", None)

    event.listen(engine, "do_connect", connect)
    event.listen(engine, "connect", connected)
    event.listen(engine, "connect", _no_nul)
    event.listen(engine, "reset", hurry_again)


def _in_words(context: ExceptionContext) -> None:
    """Pages say that the database is away, and for how long they waited for it: no trace of it."""
    fault = context.original_exception
    if context.is_pre_ping:
        return  # the pool opens another line then
    if context.connection is None or context.is_disconnect:
        raise StoreRefused(f"the database does not answer: {_first_line(fault)}")
    if getattr(fault, "sqlstate", None) == QUERY_CANCELED:
        raise StoreRefused("the database took too long to answer: ask for a shorter time")


def _first_line(fault: BaseException) -> str:
    return next(iter(str(fault).strip().splitlines()), type(fault).__name__)


def _no_nul(connection: Any, _record: object) -> None:
    """A text of PostgreSQL holds no NUL; a board's word must not cost its whole record."""
    from psycopg.types.string import StrDumper  # noqa: PLC0415 - it is an extra

    class Dumper(StrDumper):
        def dump(self, obj: str) -> Any:
            return super().dump(obj.replace("\0", "\N{REPLACEMENT CHARACTER}"))

    connection.adapters.register_dumper(str, Dumper)


class Server(NamedTuple):
    """`keeps` is False where a power cut may cost what was told to be kept."""

    version: str
    size_bytes: int
    keeps: bool


def server_of(reading: Engine) -> Server:
    """Raises StoreRefused."""
    query = text(
        "SELECT current_setting('server_version'), pg_database_size(current_database()), "
        "current_setting('fsync') = 'on' AND current_setting('full_page_writes') = 'on'"
    )
    with reading.connect() as connection:
        return Server(*connection.execute(query).one())


def refuse_unfit(connection: Connection) -> None:
    """Raises StoreRefused where this server or database could not keep what it is told."""
    version, encoding, recovering = connection.execute(
        text(
            "SELECT current_setting('server_version_num')::int, "
            "current_setting('server_encoding'), pg_is_in_recovery()"
        )
    ).one()
    if version < VERSION_MIN * 10_000:
        raise StoreRefused(f"PostgreSQL {version // 10_000} is too old: at least {VERSION_MIN}")
    if encoding != "UTF8":
        raise StoreRefused(
            f"the database keeps text as {encoding}, names may be lost in it: make it anew with "
            "createdb --encoding UTF8 --template template0"
        )
    if recovering:
        raise StoreRefused("this PostgreSQL is a copy that only reads: name the one that writes")
