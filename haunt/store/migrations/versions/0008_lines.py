"""Pools of lines that props may say."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    wide = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "lines",
        sa.Column("id", wide, autoincrement=True, nullable=False),
        sa.Column("prop", sa.String(length=32), nullable=False),
        sa.Column("behaviour", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=12), nullable=False),
        sa.Column("text", sa.String(length=128), nullable=False),
        sa.Column("intensity", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("source", sa.String(length=16), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("pending", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lines")),
        sa.UniqueConstraint("prop", "behaviour", "name", name=op.f("uq_lines_prop_behaviour_name")),
    )
    op.create_index(op.f("ix_lines_pending"), "lines", ["pending"], unique=False)
