"""Nobody asks for reports by their cue.

Of 39 pages that a commit of the full load wrote to the log 7 were its index.
"""

from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index(op.f("ix_reports_cue"), table_name="reports")
