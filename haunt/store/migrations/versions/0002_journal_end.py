"""The journal's end in a row of its own; lists found by time; a column that said nothing goes."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

LISTED = ("actions", "alerts", "cues", "health", "reports")


def upgrade() -> None:
    op.create_table(
        "journal_end",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("mono_ms", sa.BigInteger(), nullable=False),
        sa.Column("wall_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal_end")),
    )
    for table in LISTED:
        op.create_index(op.f(f"ix_{table}_at_ms"), table, ["at_ms"], unique=False)
    with op.batch_alter_table("snapshots") as batch:
        batch.drop_column("clean")
