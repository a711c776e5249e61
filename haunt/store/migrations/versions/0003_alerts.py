"""An alert has a number, says what to do, counts, and knows who has seen it."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Rows of before said raised and cleared of a key: the cleared one ends the raised one before it.
OPENED = """
UPDATE alerts SET since_ms = at_ms, last_ms = at_ms, alert = COALESCE(
    (SELECT max(opened.id) FROM alerts AS opened
     WHERE opened.key = alerts.key AND opened.state = 'raised' AND opened.id <= alerts.id),
    id
)
"""


def upgrade() -> None:
    with op.batch_alter_table("alerts") as batch:
        for name in ("alert", "since_ms", "last_ms"):
            batch.add_column(sa.Column(name, sa.BigInteger(), nullable=False, server_default="0"))
        batch.add_column(sa.Column("count", sa.BigInteger(), nullable=False, server_default="1"))
        batch.add_column(sa.Column("todo", sa.Text(), nullable=False, server_default=""))
        batch.add_column(
            sa.Column("severity", sa.String(length=8), nullable=False, server_default="soon")
        )
        batch.add_column(
            sa.Column("seen_by", sa.String(length=64), nullable=False, server_default="")
        )
        batch.add_column(sa.Column("seen_ms", sa.BigInteger(), nullable=True))
    op.execute(OPENED)
    op.create_index(op.f("ix_alerts_alert_id"), "alerts", ["alert", "id"], unique=False)
