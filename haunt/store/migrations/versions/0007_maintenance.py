"""Notes on what was mended at props and boards."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    wide = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "maintenance",
        sa.Column("id", wide, autoincrement=True, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("about", sa.String(length=32), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("failed", sa.Text(), nullable=False),
        sa.Column("done", sa.Text(), nullable=False),
        sa.Column("parts", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_maintenance")),
    )
    op.create_index(
        op.f("ix_maintenance_kind_about_id"), "maintenance", ["kind", "about", "id"], unique=False
    )
