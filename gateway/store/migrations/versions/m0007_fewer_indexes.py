"""Fewer indexes, and those nearer to what was written last: a message touches fewer pages of the database.

No data is changed. A message known already is found by its feed and control id, which grow from message to message,
rather than by its hash alone, which is anywhere; what is told about an episode by the episode first. Nothing asks any
more for the messages of a feed by time.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_KEPT = sa.text("outcome = 'kept'")


def upgrade() -> None:
    """Put the new indexes in the place of the old ones."""
    for table, name in (
        ("messages", "ix_messages_kept"),
        ("messages", "ix_messages_received"),
        ("messages", "ix_messages_feed_received"),
        ("deliveries", "ix_deliveries_unsettled_episode"),
        ("deliveries", "ix_deliveries_episode"),
        ("events", "ix_events_subscription_episode_number"),
    ):
        op.drop_index(name, table_name=table)
    op.create_index(
        "ix_messages_known",
        "messages",
        ["feed", "control_id", "content_hash"],
        sqlite_where=_KEPT,
        postgresql_where=_KEPT,
    )
    for table in ("deliveries", "events"):
        op.create_index(f"ix_{table}_episode_subscription_number", table, ["episode", "subscription", "number"])
