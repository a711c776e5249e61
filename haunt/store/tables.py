"""The tables. Times are UTC ms; `number` is the event that a row came from."""

from sqlalchemy import (
    BigInteger,
    Column,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.types import TypeEngine

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
# What interrupts the log; a query must say it in just these words to find them by the index.
BREAKS = text("kind IN ('Started', 'LinkChanged')")
# SQLite counts up only an INTEGER key; PostgreSQL wants the wide one.
Id = BigInteger().with_variant(Integer(), "sqlite")


def words(length: int) -> TypeEngine[str]:
    """Text of about this length. SQLite takes more; PostgreSQL would lose the record over it."""
    return String(length).with_variant(Text(), "postgresql")


shows = Table(
    "shows",
    metadata,
    Column("version", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("text", Text, nullable=False),
)
settings = Table(
    "settings",
    metadata,
    Column("key", words(64), primary_key=True),
    Column("value", Text, nullable=False),
)
events = Table(
    "events",
    metadata,
    Column("number", Id, primary_key=True, autoincrement=False),
    Column("mono_ms", BigInteger, nullable=False),
    Column("wall_ms", BigInteger, nullable=False),
    Column("kind", words(32), nullable=False),
    Column("body", Text, nullable=False),
    Index("ix_events_breaks", "number", sqlite_where=BREAKS, postgresql_where=BREAKS),
)
motions = Table(
    "motions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("number", BigInteger, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("board", words(32), nullable=False),
    Column("sensor", words(32), nullable=False),
    Column("boot", words(16), nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("age_ms", BigInteger, nullable=False),
    UniqueConstraint("board", "boot", "seq"),
    Index(None, "at_ms"),
)
decisions = Table(
    "decisions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("number", BigInteger, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("source", words(10), nullable=False),
    Column("board", words(32)),
    Column("boot", words(16)),
    Column("seq", BigInteger),
    Column("sensor", words(32)),
    Column("prop", words(32)),
    Column("outcome", words(8), nullable=False),
    Column("reason", words(20)),
    Column("behaviour", words(32)),
    Column("cue", words(128)),
    Column("waited_ms", BigInteger, nullable=False),
    Column("margin", BigInteger),
    Column("because", Text),
    # The first column finds, the rest is judged without touching a row (`store/lists.py`).
    Index(None, "prop", "id", "outcome", "reason", "sensor"),
    Index(None, "sensor", "id", "outcome", "reason"),
    Index(None, "reason", "id", "outcome", "prop", "sensor"),
    Index(None, "outcome", "id"),
    Index(None, "at_ms", "outcome", "prop"),
)
cues = Table(
    "cues",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("cue", words(128), nullable=False),
    Column("board", words(32), nullable=False),
    Column("prop", words(32), nullable=False),
    Column("behaviour", words(32), nullable=False),
    Column("epoch", BigInteger, nullable=False),
    Column("max_ms", BigInteger, nullable=False),
    Column("line", Text),
    Index(None, "cue"),
    Index(None, "at_ms"),
)
reports = Table(
    "reports",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("board", words(32), nullable=False),
    Column("cue", words(128), nullable=False),
    Column("boot", words(16), nullable=False),
    Column("state", words(10), nullable=False),
    Column("why", words(64), nullable=False),
    Index(None, "at_ms"),
)
health = Table(
    "health",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("board", words(32), nullable=False),
    Column("boot", words(16), nullable=False),
    Column("up_ms", BigInteger, nullable=False),
    Column("battery_mv", Integer().with_variant(BigInteger(), "postgresql")),
    Column("charge_percent", Integer),
    Column("rssi", Integer),
    Column("reset", words(16), nullable=False),
    Column("starts", Text, nullable=False),
    Column("motions", Text, nullable=False),
    Index(None, "board", "id"),
    Index(None, "at_ms"),
)
# A row for each change of an alert, which is whole in the newest row that has its number.
alerts = Table(
    "alerts",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("key", words(128), nullable=False),
    Column("state", words(8), nullable=False),
    Column("text", Text, nullable=False),
    Column("alert", BigInteger, nullable=False),
    Column("todo", Text, nullable=False),
    Column("severity", words(8), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("count", BigInteger, nullable=False),
    Column("seen_by", words(64), nullable=False),
    Column("seen_ms", BigInteger),
    Index(None, "at_ms"),
    Index(None, "alert", "id"),
)
actions = Table(
    "actions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("what", words(64), nullable=False),
    Column("about", words(64), nullable=False),
    Index(None, "at_ms"),
)
# What people ticked before a night: of each line the newest row counts, the others say how it was.
checks = Table(
    "checks",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("day", words(10), nullable=False),
    Column("line", words(40), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("done", Integer, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "day", "id"),
)
# How far a sensor saw somebody in a walk test; the newest row of a sensor counts.
ranges = Table(
    "ranges",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("sensor", words(32), nullable=False),
    Column("range_cm", Integer),
    Column("words", words(160), nullable=False),
    Index(None, "sensor", "id"),
)
# --- people. Secrets are kept as hashes only; `settings.people` changes with every change here.
people = Table(
    "people",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("name", words(32), nullable=False),
    Column("name_key", words(128), nullable=False),
    Column("role", words(8), nullable=False),
    Column("password", words(200), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger),
    UniqueConstraint("name_key"),
)
sessions = Table(
    "sessions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", words(64), nullable=False),
    Column("person", BigInteger, nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger, nullable=False),
    Column("address", words(64), nullable=False),
    Column("device", words(80), nullable=False),
    UniqueConstraint("hash"),
    Index(None, "person"),
)
links = Table(
    "links",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", words(64), nullable=False),
    Column("kind", words(8), nullable=False),
    Column("role", words(8), nullable=False),
    Column("person", BigInteger),
    Column("since_ms", BigInteger, nullable=False),
    Column("ends_ms", BigInteger, nullable=False),
    Column("uses_left", Integer, nullable=False),
    Column("by", words(64), nullable=False),
    UniqueConstraint("hash"),
)
tokens = Table(
    "tokens",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", words(64), nullable=False),
    Column("prefix", words(16), nullable=False),
    Column("name", words(32), nullable=False),
    Column("role", words(8), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("ends_ms", BigInteger),
    Column("seen_ms", BigInteger),
    Column("by", words(64), nullable=False),
    UniqueConstraint("hash"),
)
# Only ever added to: the database itself refuses a change, see migration 0004.
logbook = Table(
    "logbook",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", words(64), nullable=False),
    Column("address", words(64), nullable=False),
    Column("what", words(64), nullable=False),
    Column("about", words(128), nullable=False),
    Column("result", words(160), nullable=False),
    Index(None, "at_ms"),
)
snapshots = Table(
    "snapshots",
    metadata,
    Column("number", Id, primary_key=True, autoincrement=False),
    Column("mono_ms", BigInteger, nullable=False),
    Column("wall_ms", BigInteger, nullable=False),
    Column("show_version", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)
# One row: the last record written. It tells a commit that failed from one whose answer was lost.
journal_end = Table(
    "journal_end",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("number", BigInteger, nullable=False),
    Column("mono_ms", BigInteger, nullable=False),
    Column("wall_ms", BigInteger, nullable=False),
)
# What failed at a prop or board, what was done and with what parts; `day` is a local date.
maintenance = Table(
    "maintenance",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("kind", words(8), nullable=False),
    Column("about", words(32), nullable=False),
    Column("day", words(10), nullable=False),
    Column("failed", Text, nullable=False),
    Column("done", Text, nullable=False),
    Column("parts", Text, nullable=False),
    Index(None, "kind", "about", "id"),
)
# Lines that props may say, as people judged them. `name` is that of the words, for ever; `pending`
# is 1 while the show file does not follow yet. What is said stands in the show file alone.
lines = Table(
    "lines",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("prop", words(32), nullable=False),
    Column("behaviour", words(32), nullable=False),
    Column("name", words(12), nullable=False),
    Column("text", words(128), nullable=False),
    Column("intensity", Integer),
    Column("state", words(8), nullable=False),
    Column("source", words(16), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", words(64), nullable=False),
    Column("pending", Integer, nullable=False),
    UniqueConstraint("prop", "behaviour", "name"),
    Index(None, "pending"),
)
