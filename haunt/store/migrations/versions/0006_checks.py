"""Why a decision fell, beside it; what was checked before a night; how far sensors see."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("decisions", sa.Column("because", sa.Text(), nullable=True))
    key = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "checks",
        sa.Column("id", key, autoincrement=True, nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("line", sa.String(length=40), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checks")),
    )
    op.create_index(op.f("ix_checks_day_id"), "checks", ["day", "id"], unique=False)
    op.create_table(
        "ranges",
        sa.Column("id", key, autoincrement=True, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("sensor", sa.String(length=32), nullable=False),
        sa.Column("range_cm", sa.Integer(), nullable=True),
        sa.Column("words", sa.String(length=160), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ranges")),
    )
    op.create_index(op.f("ix_ranges_sensor_id"), "ranges", ["sensor", "id"], unique=False)
