"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make them, in the order in which they refer to each other."""
    _keys()
    _messages()
    _quarantine()
    _feed_days()
    _worklist()
    _reports()
    _report_versions()
    _visits()
    _sightings()
    _episodes()
    _episode_bands()
    _links()
    _reviews()
    _review_records()
    _events()
    _deliveries()
    _audit()
    _accounts()


def _keys() -> None:
    op.create_table(
        "keys",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("first_used", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_keys"),
    )


def _messages() -> None:
    op.create_table(
        "messages",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("feed", sa.Text(), nullable=True),
        sa.Column("door", sa.Text(), nullable=False),
        sa.Column("received", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("control_id", sa.Text(), nullable=False),
        sa.Column("content_hash", sa.LargeBinary(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_messages"),
    )
    op.create_index(
        "ix_messages_kept",
        "messages",
        ["content_hash"],
        sqlite_where=sa.text("outcome = 'kept'"),
        postgresql_where=sa.text("outcome = 'kept'"),
    )
    op.create_index("ix_messages_feed_received", "messages", ["feed", "received"])
    op.create_index("ix_messages_received", "messages", ["received"])
    op.create_index("ix_messages_traffic_received_feed", "messages", ["traffic", "received", "feed"])


def _quarantine() -> None:
    op.create_table(
        "quarantine",
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("says", sa.Text(), nullable=False),
        sa.Column("remedy", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=True),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("settled_by", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["message"], ["messages.id"], name="fk_quarantine_message"),
        sa.PrimaryKeyConstraint("message", name="pk_quarantine"),
    )
    op.create_index(
        "ix_quarantine_open",
        "quarantine",
        ["at"],
        sqlite_where=sa.text("settled IS NULL"),
        postgresql_where=sa.text("settled IS NULL"),
    )


def _feed_days() -> None:
    op.create_table(
        "feed_days",
        sa.Column("feed", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("messages", sa.BigInteger(), nullable=False),
        sa.Column("last_received", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("feed", "traffic", "day", "kind", "outcome", name="pk_feed_days"),
    )


def _worklist() -> None:
    op.create_table(
        "worklist",
        sa.Column("feed", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("level", sa.Text(), nullable=False),
        sa.Column("says", sa.Text(), nullable=False),
        sa.Column("remedy", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=True),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("first_seen", sa.BigInteger(), nullable=False),
        sa.Column("last_seen", sa.BigInteger(), nullable=False),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("settled_by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("feed", "traffic", "code", "place", name="pk_worklist"),
    )


def _reports() -> None:
    op.create_table(
        "reports",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("organisation", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("content_hash", sa.LargeBinary(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("partial", sa.Boolean(), nullable=False),
        sa.Column("event_time", sa.BigInteger(), nullable=True),
        sa.Column("destination", sa.Text(), nullable=True),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("updated", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["messages.id"], name="fk_reports_message"),
        sa.PrimaryKeyConstraint("id", name="pk_reports"),
        sa.UniqueConstraint("organisation", "key", "traffic", name="uq_reports_organisation_key_traffic"),
    )
    op.create_index("ix_reports_destination_event_time", "reports", ["destination", "event_time"])
    op.create_index("ix_reports_updated", "reports", ["updated"])


def _report_versions() -> None:
    op.create_table(
        "report_versions",
        sa.Column("report", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("content_hash", sa.LargeBinary(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("partial", sa.Boolean(), nullable=False),
        sa.Column("event_time", sa.BigInteger(), nullable=True),
        sa.Column("destination", sa.Text(), nullable=True),
        sa.Column("updated", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["messages.id"], name="fk_report_versions_message"),
        sa.ForeignKeyConstraint(["report"], ["reports.id"], name="fk_report_versions_report"),
        sa.PrimaryKeyConstraint("report", "version", name="pk_report_versions"),
    )


def _visits() -> None:
    op.create_table(
        "visits",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("organisation", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("started", sa.BigInteger(), nullable=True),
        sa.Column("ended", sa.BigInteger(), nullable=True),
        sa.Column("event_time", sa.BigInteger(), nullable=True),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("updated", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["messages.id"], name="fk_visits_message"),
        sa.PrimaryKeyConstraint("id", name="pk_visits"),
        sa.UniqueConstraint("organisation", "key", "traffic", name="uq_visits_organisation_key_traffic"),
    )
    op.create_index("ix_visits_updated", "visits", ["updated"])


def _sightings() -> None:
    op.create_table(
        "sightings",
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("organisation", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("event_time", sa.BigInteger(), nullable=True),
        sa.Column("band", sa.Text(), nullable=True),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=True),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("scheme", sa.Text(), nullable=True),
        sa.Column("training", sa.Boolean(), nullable=False),
        sa.Column("folded", sa.Boolean(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("kind", "record", "number", name="pk_sightings"),
    )
    op.create_index(
        "ix_sightings_band",
        "sightings",
        ["band", "traffic"],
        sqlite_where=sa.text("band IS NOT NULL"),
        postgresql_where=sa.text("band IS NOT NULL"),
    )


def _episodes() -> None:
    op.create_table(
        "episodes",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("opened", sa.BigInteger(), nullable=False),
        sa.Column("closed", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_episodes"),
    )
    op.create_index("ix_episodes_traffic_state", "episodes", ["traffic", "state"])


def _episode_bands() -> None:
    op.create_table(
        "episode_bands",
        sa.Column("episode", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("band", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["episode"], ["episodes.id"], name="fk_episode_bands_episode"),
        sa.PrimaryKeyConstraint("episode", "number", name="pk_episode_bands"),
    )
    op.create_index("ix_episode_bands_band_traffic", "episode_bands", ["band", "traffic"])
    op.create_index(
        "uq_episode_bands_open",
        "episode_bands",
        ["band", "traffic"],
        unique=True,
        sqlite_where=sa.text("until IS NULL"),
        postgresql_where=sa.text("until IS NULL"),
    )


def _links() -> None:
    op.create_table(
        "links",
        sa.Column("row", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("episode", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("organisation", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("confirmed", sa.Boolean(), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("decided", sa.BigInteger(), nullable=False),
        sa.Column("decided_by", sa.Text(), nullable=False),
        sa.Column("current", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["episode"], ["episodes.id"], name="fk_links_episode"),
        sa.PrimaryKeyConstraint("row", name="pk_links"),
    )
    op.create_index("ix_links_id", "links", ["id"])
    op.create_index("ix_links_kind_record", "links", ["kind", "record"])
    op.create_index(
        "uq_links_current",
        "links",
        ["episode", "kind", "record"],
        unique=True,
        sqlite_where=sa.text("current = 1"),
        postgresql_where=sa.text("current"),
    )


def _reviews() -> None:
    op.create_table(
        "reviews",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("traffic", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("question", sa.Text(), nullable=False),
        sa.Column("says", sa.Text(), nullable=False),
        sa.Column("episode", sa.Text(), nullable=True),
        sa.Column("opened", sa.BigInteger(), nullable=False),
        sa.Column("answered", sa.BigInteger(), nullable=True),
        sa.Column("answered_by", sa.Text(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["episode"], ["episodes.id"], name="fk_reviews_episode"),
        sa.PrimaryKeyConstraint("id", name="pk_reviews"),
    )
    op.create_index("ix_reviews_episode", "reviews", ["episode"])
    op.create_index("ix_reviews_traffic_state_opened", "reviews", ["traffic", "state", "opened"])


def _review_records() -> None:
    op.create_table(
        "review_records",
        sa.Column("review", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["review"], ["reviews.id"], name="fk_review_records_review"),
        sa.PrimaryKeyConstraint("review", "number", name="pk_review_records"),
    )
    op.create_index("ix_review_records_kind_record", "review_records", ["kind", "record"])


def _events() -> None:
    op.create_table(
        "events",
        sa.Column("subscription", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("episode", sa.Text(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("content_hash", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["episode"], ["episodes.id"], name="fk_events_episode"),
        sa.PrimaryKeyConstraint("subscription", "number", name="pk_events"),
    )
    op.create_index("ix_events_subscription_episode_number", "events", ["subscription", "episode", "number"])


def _deliveries() -> None:
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("subscription", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("episode", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.BigInteger(), nullable=False),
        sa.Column("due", sa.BigInteger(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("claimed_by", sa.Text(), nullable=True),
        sa.Column("lease_until", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("payload", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["episode"], ["episodes.id"], name="fk_deliveries_episode"),
        sa.PrimaryKeyConstraint("id", name="pk_deliveries"),
        sa.UniqueConstraint("subscription", "number", name="uq_deliveries_subscription_number"),
    )
    op.create_index("ix_deliveries_episode", "deliveries", ["episode"])
    op.create_index(
        "ix_deliveries_leases",
        "deliveries",
        ["lease_until"],
        sqlite_where=sa.text("lease_until IS NOT NULL"),
        postgresql_where=sa.text("lease_until IS NOT NULL"),
    )
    op.create_index("ix_deliveries_state_subscription", "deliveries", ["state", "subscription"])
    op.create_index(
        "ix_deliveries_unsettled",
        "deliveries",
        ["subscription", "number"],
        sqlite_where=sa.text("settled IS NULL"),
        postgresql_where=sa.text("settled IS NULL"),
    )
    op.create_index(
        "ix_deliveries_unsettled_episode",
        "deliveries",
        ["subscription", "episode", "number"],
        sqlite_where=sa.text("settled IS NULL"),
        postgresql_where=sa.text("settled IS NULL"),
    )


def _audit() -> None:
    op.create_table(
        "audit",
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("records", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
    )


def _accounts() -> None:
    op.create_table(
        "accounts",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_accounts"),
    )
