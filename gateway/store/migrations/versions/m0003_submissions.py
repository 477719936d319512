"""Submissions to the report web service, and messages so large that they are kept in pieces."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables; what was kept before is not touched."""
    op.create_table(
        "message_pieces",
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("message", "number", name="pk_message_pieces"),
    )
    op.create_table(
        "submissions",
        sa.Column("handle", sa.Text(), nullable=False),
        sa.Column("feed", sa.Text(), nullable=False),
        sa.Column("data_schema", sa.BigInteger(), nullable=False),
        sa.Column("schema_version", sa.Text(), nullable=False),
        sa.Column("code", sa.BigInteger(), nullable=False),
        sa.Column("received", sa.BigInteger(), nullable=False),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("claimed_by", sa.Text(), nullable=True),
        sa.Column("lease_until", sa.BigInteger(), nullable=True),
        sa.Column("report", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("handle", name="pk_submissions"),
    )
    _partial("ix_submissions_waiting", "received", where="settled IS NULL")
    _partial("ix_submissions_reports", "settled", where="report IS NOT NULL")


def _partial(name: str, column: str, *, where: str) -> None:
    op.create_index(name, "submissions", [column], sqlite_where=sa.text(where), postgresql_where=sa.text(where))
