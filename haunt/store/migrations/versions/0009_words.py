"""PostgreSQL keeps words of any length and what a board says of its pack, as SQLite always did."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

BOUNDED = """
SELECT table_name, column_name FROM information_schema.columns
WHERE table_schema = current_schema() AND data_type = 'character varying'
AND table_name <> 'alembic_version'
ORDER BY table_name, column_name
"""


def upgrade() -> None:
    if op.get_bind().dialect.name != "postgresql":
        return
    for table, column in op.get_bind().execute(sa.text(BOUNDED)).all():
        op.alter_column(table, column, type_=sa.Text())
    op.alter_column("health", "battery_mv", type_=sa.BigInteger())
