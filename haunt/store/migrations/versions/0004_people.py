"""People with roles, their sessions, links and tokens; a log of what they do, only added to."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ONLY_ADDED_TO = "the logbook is only added to"


def _id() -> sa.Column[int]:
    wide = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    return sa.Column("id", wide, autoincrement=True, nullable=False)


def upgrade() -> None:
    _people()
    _secrets()
    op.create_table(
        "logbook",
        _id(),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("what", sa.String(length=64), nullable=False),
        sa.Column("about", sa.String(length=128), nullable=False),
        sa.Column("result", sa.String(length=160), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_logbook")),
    )
    op.create_index(op.f("ix_logbook_at_ms"), "logbook", ["at_ms"], unique=False)
    _lock_the_logbook()


def _people() -> None:
    op.create_table(
        "people",
        _id(),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("name_key", sa.String(length=128), nullable=False),
        sa.Column("role", sa.String(length=8), nullable=False),
        sa.Column("password", sa.String(length=200), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("seen_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("name_key", name=op.f("uq_people_name_key")),
    )
    op.create_table(
        "sessions",
        _id(),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("person", sa.BigInteger(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("seen_ms", sa.BigInteger(), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("device", sa.String(length=80), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("hash", name=op.f("uq_sessions_hash")),
    )
    op.create_index(op.f("ix_sessions_person"), "sessions", ["person"], unique=False)


def _secrets() -> None:
    op.create_table(
        "links",
        _id(),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("role", sa.String(length=8), nullable=False),
        sa.Column("person", sa.BigInteger(), nullable=True),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("ends_ms", sa.BigInteger(), nullable=False),
        sa.Column("uses_left", sa.Integer(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_links")),
        sa.UniqueConstraint("hash", name=op.f("uq_links_hash")),
    )
    op.create_table(
        "tokens",
        _id(),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("prefix", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("role", sa.String(length=8), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("ends_ms", sa.BigInteger(), nullable=True),
        sa.Column("seen_ms", sa.BigInteger(), nullable=True),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("hash", name=op.f("uq_tokens_hash")),
    )


def _lock_the_logbook() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for what in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER logbook_no_{what.lower()} BEFORE {what} ON logbook "
                f"BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED_TO}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION logbook_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{ONLY_ADDED_TO}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER logbook_only_added_to BEFORE UPDATE OR DELETE OR TRUNCATE ON logbook "
        "FOR EACH STATEMENT EXECUTE FUNCTION logbook_refuse()"
    )
