"""Filters of the log, counts by time and prop, and breaks of the log are found in indices."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

MADE = (
    ("prop", "id", "outcome", "reason", "sensor"),
    ("reason", "id", "outcome", "prop", "sensor"),
    ("sensor", "id", "outcome", "reason"),
    ("at_ms", "outcome", "prop"),
)


def upgrade() -> None:
    for name in ("prop_id", "reason_id", "at_ms"):
        op.drop_index(op.f(f"ix_decisions_{name}"), table_name="decisions")
    for columns in MADE:
        name = op.f(f"ix_decisions_{'_'.join(columns)}")
        op.create_index(name, "decisions", list(columns), unique=False)
    breaks = sa.text("kind IN ('Started', 'LinkChanged')")
    op.create_index(
        op.f("ix_events_breaks"),
        "events",
        ["number"],
        unique=False,
        sqlite_where=breaks,
        postgresql_where=breaks,
    )
