"""The first schema: shows, the journal, people's actions, snapshots."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "actions",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("what", sa.String(length=64), nullable=False),
        sa.Column("about", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_actions")),
    )
    op.create_table(
        "alerts",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("key", sa.String(length=128), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
    )
    op.create_table(
        "cues",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("cue", sa.String(length=128), nullable=False),
        sa.Column("board", sa.String(length=32), nullable=False),
        sa.Column("prop", sa.String(length=32), nullable=False),
        sa.Column("behaviour", sa.String(length=32), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("max_ms", sa.BigInteger(), nullable=False),
        sa.Column("line", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cues")),
    )
    op.create_index(op.f("ix_cues_cue"), "cues", ["cue"], unique=False)
    op.create_table(
        "decisions",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("board", sa.String(length=32), nullable=True),
        sa.Column("boot", sa.String(length=16), nullable=True),
        sa.Column("seq", sa.BigInteger(), nullable=True),
        sa.Column("sensor", sa.String(length=32), nullable=True),
        sa.Column("prop", sa.String(length=32), nullable=True),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=True),
        sa.Column("behaviour", sa.String(length=32), nullable=True),
        sa.Column("cue", sa.String(length=128), nullable=True),
        sa.Column("waited_ms", sa.BigInteger(), nullable=False),
        sa.Column("margin", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
    )
    op.create_index(op.f("ix_decisions_at_ms"), "decisions", ["at_ms"], unique=False)
    op.create_index(op.f("ix_decisions_outcome_id"), "decisions", ["outcome", "id"], unique=False)
    op.create_index(op.f("ix_decisions_prop_id"), "decisions", ["prop", "id"], unique=False)
    op.create_index(op.f("ix_decisions_reason_id"), "decisions", ["reason", "id"], unique=False)
    op.create_table(
        "events",
        sa.Column(
            "number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("mono_ms", sa.BigInteger(), nullable=False),
        sa.Column("wall_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_events")),
    )
    op.create_table(
        "health",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("board", sa.String(length=32), nullable=False),
        sa.Column("boot", sa.String(length=16), nullable=False),
        sa.Column("up_ms", sa.BigInteger(), nullable=False),
        sa.Column("battery_mv", sa.Integer(), nullable=True),
        sa.Column("charge_percent", sa.Integer(), nullable=True),
        sa.Column("rssi", sa.Integer(), nullable=True),
        sa.Column("reset", sa.String(length=16), nullable=False),
        sa.Column("starts", sa.Text(), nullable=False),
        sa.Column("motions", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_health")),
    )
    op.create_index(op.f("ix_health_board_id"), "health", ["board", "id"], unique=False)
    op.create_table(
        "motions",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("board", sa.String(length=32), nullable=False),
        sa.Column("sensor", sa.String(length=32), nullable=False),
        sa.Column("boot", sa.String(length=16), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("age_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_motions")),
        sa.UniqueConstraint("board", "boot", "seq", name=op.f("uq_motions_board_boot_seq")),
    )
    op.create_index(op.f("ix_motions_at_ms"), "motions", ["at_ms"], unique=False)
    op.create_table(
        "reports",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("board", sa.String(length=32), nullable=False),
        sa.Column("cue", sa.String(length=128), nullable=False),
        sa.Column("boot", sa.String(length=16), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("why", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reports")),
    )
    op.create_index(op.f("ix_reports_cue"), "reports", ["cue"], unique=False)
    op.create_table(
        "settings",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_settings")),
    )
    op.create_table(
        "shows",
        sa.Column(
            "version",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_shows")),
    )
    op.create_table(
        "snapshots",
        sa.Column(
            "number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("mono_ms", sa.BigInteger(), nullable=False),
        sa.Column("wall_ms", sa.BigInteger(), nullable=False),
        sa.Column("show_version", sa.BigInteger(), nullable=False),
        sa.Column("clean", sa.Boolean(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_snapshots")),
    )
