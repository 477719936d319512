"""Which stage each feed is on, whatever the region file began it with; and the row that tells whether we can write."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "feed_stages",
        sa.Column("feed", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("in_file", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("feed", name="pk_feed_stages"),
    )
    op.create_table(
        "pulse",
        sa.Column("number", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_pulse"),
    )
