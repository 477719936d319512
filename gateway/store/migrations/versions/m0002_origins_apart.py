"""Where the values of a care report stood, beside what they say: linking reads the one, and never the other."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; what was kept before has its origins within the content, and is read all the same."""
    for table in ("reports", "report_versions"):
        op.add_column(table, sa.Column("origins", sa.LargeBinary(), nullable=True))
