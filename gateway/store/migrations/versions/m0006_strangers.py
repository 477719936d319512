"""Who knocks at the MLLP doors without being known."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "strangers",
        sa.Column("door", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("application", sa.Text(), nullable=False),
        sa.Column("facility", sa.Text(), nullable=False),
        sa.Column("gathered", sa.Boolean(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("first_seen", sa.BigInteger(), nullable=False),
        sa.Column("last_seen", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("door", "address", "application", "facility", "gathered", name="pk_strangers"),
    )
