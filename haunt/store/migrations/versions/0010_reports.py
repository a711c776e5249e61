"""Nobody asks for reports by their cue, and its index was a fifth of what a commit wrote."""

from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index(op.f("ix_reports_cue"), table_name="reports")
