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

shows = Table(
    "shows",
    metadata,
    Column("version", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", String(64), nullable=False),
    Column("text", Text, nullable=False),
)
settings = Table(
    "settings",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("value", Text, nullable=False),
)
events = Table(
    "events",
    metadata,
    Column("number", Id, primary_key=True, autoincrement=False),
    Column("mono_ms", BigInteger, nullable=False),
    Column("wall_ms", BigInteger, nullable=False),
    Column("kind", String(32), nullable=False),
    Column("body", Text, nullable=False),
    Index("ix_events_breaks", "number", sqlite_where=BREAKS, postgresql_where=BREAKS),
)
motions = Table(
    "motions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("number", BigInteger, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("board", String(32), nullable=False),
    Column("sensor", String(32), nullable=False),
    Column("boot", String(16), nullable=False),
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
    Column("source", String(10), nullable=False),
    Column("board", String(32)),
    Column("boot", String(16)),
    Column("seq", BigInteger),
    Column("sensor", String(32)),
    Column("prop", String(32)),
    Column("outcome", String(8), nullable=False),
    Column("reason", String(20)),
    Column("behaviour", String(32)),
    Column("cue", String(128)),
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
    Column("cue", String(128), nullable=False),
    Column("board", String(32), nullable=False),
    Column("prop", String(32), nullable=False),
    Column("behaviour", String(32), nullable=False),
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
    Column("board", String(32), nullable=False),
    Column("cue", String(128), nullable=False),
    Column("boot", String(16), nullable=False),
    Column("state", String(10), nullable=False),
    Column("why", String(64), nullable=False),
    Index(None, "cue"),
    Index(None, "at_ms"),
)
health = Table(
    "health",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("board", String(32), nullable=False),
    Column("boot", String(16), nullable=False),
    Column("up_ms", BigInteger, nullable=False),
    Column("battery_mv", Integer),
    Column("charge_percent", Integer),
    Column("rssi", Integer),
    Column("reset", String(16), nullable=False),
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
    Column("key", String(128), nullable=False),
    Column("state", String(8), nullable=False),
    Column("text", Text, nullable=False),
    Column("alert", BigInteger, nullable=False),
    Column("todo", Text, nullable=False),
    Column("severity", String(8), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("count", BigInteger, nullable=False),
    Column("seen_by", String(64), nullable=False),
    Column("seen_ms", BigInteger),
    Index(None, "at_ms"),
    Index(None, "alert", "id"),
)
actions = Table(
    "actions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", String(64), nullable=False),
    Column("what", String(64), nullable=False),
    Column("about", String(64), nullable=False),
    Index(None, "at_ms"),
)
# What people ticked before a night: of each line the newest row counts, the others say how it was.
checks = Table(
    "checks",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("day", String(10), nullable=False),
    Column("line", String(40), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("by", String(64), nullable=False),
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
    Column("by", String(64), nullable=False),
    Column("sensor", String(32), nullable=False),
    Column("range_cm", Integer),
    Column("words", String(160), nullable=False),
    Index(None, "sensor", "id"),
)
# --- people. Secrets are kept as hashes only; `settings.people` changes with every change here.
people = Table(
    "people",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("name", String(32), nullable=False),
    Column("name_key", String(128), nullable=False),
    Column("role", String(8), nullable=False),
    Column("password", String(200), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger),
    UniqueConstraint("name_key"),
)
sessions = Table(
    "sessions",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", String(64), nullable=False),
    Column("person", BigInteger, nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger, nullable=False),
    Column("address", String(64), nullable=False),
    Column("device", String(80), nullable=False),
    UniqueConstraint("hash"),
    Index(None, "person"),
)
links = Table(
    "links",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", String(64), nullable=False),
    Column("kind", String(8), nullable=False),
    Column("role", String(8), nullable=False),
    Column("person", BigInteger),
    Column("since_ms", BigInteger, nullable=False),
    Column("ends_ms", BigInteger, nullable=False),
    Column("uses_left", Integer, nullable=False),
    Column("by", String(64), nullable=False),
    UniqueConstraint("hash"),
)
tokens = Table(
    "tokens",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("hash", String(64), nullable=False),
    Column("prefix", String(16), nullable=False),
    Column("name", String(32), nullable=False),
    Column("role", String(8), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("ends_ms", BigInteger),
    Column("seen_ms", BigInteger),
    Column("by", String(64), nullable=False),
    UniqueConstraint("hash"),
)
# Only ever added to: the database itself refuses a change, see migration 0004.
logbook = Table(
    "logbook",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", String(64), nullable=False),
    Column("address", String(64), nullable=False),
    Column("what", String(64), nullable=False),
    Column("about", String(128), nullable=False),
    Column("result", String(160), nullable=False),
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
    Column("by", String(64), nullable=False),
    Column("kind", String(8), nullable=False),
    Column("about", String(32), nullable=False),
    Column("day", String(10), nullable=False),
    Column("failed", Text, nullable=False),
    Column("done", Text, nullable=False),
    Column("parts", Text, nullable=False),
    Index(None, "kind", "about", "id"),
)
