"""The tables of the store: what is kept, and by what it is found again.

Rules for the whole file.

* Only types that both databases share and no driver converts: text, big integers, booleans, bytes. A time
  is a big integer, see `gateway.store.times`; a state is the text of its enum.
* Raw messages and the contents of records are sealed bytes (`gateway.store.encryption`). The columns beside
  them hold only what must be searched: keys, states, times, and the canonical band of a sighting.
* Ids are text that the caller makes. Where a row is only ever found through another, its key is that
  other row and a number.
* What must never happen is forbidden by an index where one can say it: two open episodes under one band,
  two current decisions about one record and one episode, two events with one number.

A change here needs a migration that makes the same change; a test compares the two.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
    text,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

#: A number that the database itself counts up; SQLite does so only for the type INTEGER.
ROW_NUMBER = BigInteger().with_variant(Integer, "sqlite")


def _partial(name: str, *columns: str, where: str, unique: bool = False) -> Index:
    """An index over the rows where `where` holds, which is the same SQL on both databases."""
    clause = text(where)
    return Index(name, *columns, unique=unique, sqlite_where=clause, postgresql_where=clause)


# ── what came in ───────────────────────────────────────────────────────────────────────────────────

#: The keys that have sealed something in this database, by fingerprint; never the keys themselves.
KEYS = Table(
    "keys",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("first_used", BigInteger, nullable=False),
)

#: Every message that arrived, as it arrived. `control_id` is empty where the standard has none.
MESSAGES = Table(
    "messages",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("feed", Text),
    Column("door", Text, nullable=False),
    Column("received", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("control_id", Text, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("answer", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("content", LargeBinary),
    _partial("ix_messages_known", "feed", "control_id", "content_hash", where="outcome = 'kept'"),
    Index(None, "traffic", "received", "feed"),  # the status page counts a day from it alone
)

#: The bytes of a message too large for one value, in pieces of a fixed size. They are written before the message
#: they belong to, so they name it without a foreign key.
MESSAGE_PIECES = Table(
    "message_pieces",
    METADATA,
    Column("message", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("message", "number"),
)

#: What was handed to the report web service, and its answer; `settled` is empty while that is not final.
SUBMISSIONS = Table(
    "submissions",
    METADATA,
    Column("handle", Text, primary_key=True),
    Column("feed", Text, nullable=False),
    Column("data_schema", BigInteger, nullable=False),
    Column("schema_version", Text, nullable=False),
    Column("code", BigInteger, nullable=False),
    Column("received", BigInteger, nullable=False),
    Column("settled", BigInteger),
    Column("claimed_by", Text),
    Column("lease_until", BigInteger),
    Column("report", LargeBinary),
    _partial("ix_submissions_waiting", "received", where="settled IS NULL"),
    _partial("ix_submissions_reports", "settled", where="report IS NOT NULL"),
)

#: What an agency says about itself, the latest of it; a number is a number of the state that issued it.
DEMOGRAPHICS = Table(
    "demographics",
    METADATA,
    Column("state", Text, nullable=False),
    Column("number", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("feed", Text, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("state", "number", "traffic"),
)

#: Why a message could not be kept as a record or attributed to a feed, and whether somebody has seen to it.
QUARANTINE = Table(
    "quarantine",
    METADATA,
    Column("message", Text, ForeignKey("messages.id"), primary_key=True),
    Column("code", Text, nullable=False),
    Column("says", Text, nullable=False),
    Column("remedy", Text, nullable=False),
    Column("path", Text, nullable=False),
    Column("line", BigInteger),
    Column("at", BigInteger, nullable=False),
    Column("settled", BigInteger),
    Column("settled_by", Text),
    _partial("ix_quarantine_open", "at", where="settled IS NULL"),
)

#: Who sends admission messages without being known; bounded, see `gateway.store.strangers`.
STRANGERS = Table(
    "strangers",
    METADATA,
    Column("door", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("application", Text, nullable=False),
    Column("facility", Text, nullable=False),
    Column("gathered", Boolean, nullable=False),
    Column("code", Text, nullable=False),
    Column("times", BigInteger, nullable=False),
    Column("first_seen", BigInteger, nullable=False),
    Column("last_seen", BigInteger, nullable=False),
    PrimaryKeyConstraint("door", "address", "application", "facility", "gathered"),
)

#: Messages counted by feed and day (UTC), so that a page never counts the messages themselves.
FEED_DAYS = Table(
    "feed_days",
    METADATA,
    Column("feed", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("messages", BigInteger, nullable=False),
    Column("last_received", BigInteger, nullable=False),
    PrimaryKeyConstraint("feed", "traffic", "day", "kind", "outcome"),
)

#: Which stage each feed is on; `in_file` is what region.yaml said then, `who` put it there.
FEED_STAGES = Table(
    "feed_stages",
    METADATA,
    Column("feed", Text, primary_key=True),
    Column("stage", Text, nullable=False),
    Column("in_file", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
)

#: A feed's work list: one row for each thing found at one place, however often it was found.
WORKLIST = Table(
    "worklist",
    METADATA,
    Column("feed", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("code", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("level", Text, nullable=False),
    Column("says", Text, nullable=False),
    Column("remedy", Text, nullable=False),
    Column("path", Text, nullable=False),
    Column("line", BigInteger),
    Column("message", Text, nullable=False),
    Column("times", BigInteger, nullable=False),
    Column("first_seen", BigInteger, nullable=False),
    Column("last_seen", BigInteger, nullable=False),
    Column("settled", BigInteger),
    Column("settled_by", Text),
    PrimaryKeyConstraint("feed", "traffic", "code", "place"),
)

# ── records ────────────────────────────────────────────────────────────────────────────────────────

REPORTS = Table(
    "reports",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("organisation", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("version", BigInteger, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    Column("message", Text, ForeignKey("messages.id"), nullable=False),
    Column("partial", Boolean, nullable=False),
    Column("event_time", BigInteger),
    Column("destination", Text),
    Column("created", BigInteger, nullable=False),
    Column("updated", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("origins", LargeBinary),
    UniqueConstraint("organisation", "key", "traffic"),
    Index(None, "destination", "event_time"),
    Index(None, "updated"),
)

#: What a report said before it was replaced; the newest content stands in `reports`.
REPORT_VERSIONS = Table(
    "report_versions",
    METADATA,
    Column("report", Text, ForeignKey("reports.id"), nullable=False),
    Column("version", BigInteger, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    Column("message", Text, ForeignKey("messages.id"), nullable=False),
    Column("partial", Boolean, nullable=False),
    Column("event_time", BigInteger),
    Column("destination", Text),
    Column("updated", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("origins", LargeBinary),
    PrimaryKeyConstraint("report", "version"),
)

VISITS = Table(
    "visits",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("organisation", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("version", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    Column("message", Text, ForeignKey("messages.id"), nullable=False),
    Column("started", BigInteger),
    Column("ended", BigInteger),
    Column("event_time", BigInteger),
    Column("created", BigInteger, nullable=False),
    Column("updated", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
    UniqueConstraint("organisation", "key", "traffic"),
    Index(None, "updated"),
)

#: Where each band was seen, without what stood there: the raw text is only in the sealed record.
SIGHTINGS = Table(
    "sightings",
    METADATA,
    Column("kind", Text, nullable=False),
    Column("record", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("organisation", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("event_time", BigInteger),
    Column("band", Text),
    Column("how", Text, nullable=False),
    Column("path", Text, nullable=False),
    Column("line", BigInteger),
    Column("rule", Text, nullable=False),
    Column("scheme", Text),
    Column("training", Boolean, nullable=False),
    Column("folded", Boolean, nullable=False),
    Column("fault", Text),
    PrimaryKeyConstraint("kind", "record", "number"),
    _partial("ix_sightings_band", "band", "traffic", where="band IS NOT NULL"),
)

# ── decisions ──────────────────────────────────────────────────────────────────────────────────────

EPISODES = Table(
    "episodes",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("traffic", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("opened", BigInteger, nullable=False),
    Column("closed", BigInteger),
    Index(None, "traffic", "state"),
)

#: The bands of an episode. `until` is empty while the episode is open: one open episode per band.
EPISODE_BANDS = Table(
    "episode_bands",
    METADATA,
    Column("episode", Text, ForeignKey("episodes.id"), nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("band", Text, nullable=False),
    Column("traffic", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger),
    PrimaryKeyConstraint("episode", "number"),
    Index(None, "band", "traffic"),
    _partial("uq_episode_bands_open", "band", "traffic", where="until IS NULL", unique=True),
)

#: Link decisions, never changed: a new decision is a new row, and the row before is no longer current.
LINKS = Table(
    "links",
    METADATA,
    Column("row", ROW_NUMBER, primary_key=True),
    Column("id", Text, nullable=False),
    Column("episode", Text, ForeignKey("episodes.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("record", Text, nullable=False),
    Column("organisation", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("confirmed", Boolean, nullable=False),
    Column("reasons", Text, nullable=False),
    Column("decided", BigInteger, nullable=False),
    Column("decided_by", Text, nullable=False),
    Column("current", Boolean, nullable=False),
    Index(None, "id"),
    Index(None, "kind", "record"),
    Index(
        "uq_links_current",
        "episode",
        "kind",
        "record",
        unique=True,
        sqlite_where=text("current = 1"),
        postgresql_where=text("current"),
    ),
)

REVIEWS = Table(
    "reviews",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("traffic", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("question", Text, nullable=False),
    Column("says", Text, nullable=False),
    Column("episode", Text, ForeignKey("episodes.id")),
    Column("opened", BigInteger, nullable=False),
    Column("answered", BigInteger),
    Column("answered_by", Text),
    Column("answer", Text),
    Index(None, "traffic", "state", "opened"),
    Index(None, "episode"),
)

REVIEW_RECORDS = Table(
    "review_records",
    METADATA,
    Column("review", Text, ForeignKey("reviews.id"), nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("record", Text, nullable=False),
    PrimaryKeyConstraint("review", "number"),
    Index(None, "kind", "record"),
)

# ── what goes out ──────────────────────────────────────────────────────────────────────────────────

#: What each subscription was told about, numbered without gaps from 1. Rows stay: the newest one is the counter.
EVENTS = Table(
    "events",
    METADATA,
    Column("subscription", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("episode", Text, ForeignKey("episodes.id"), nullable=False),
    Column("topic", Text, nullable=False),
    Column("created", BigInteger, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    PrimaryKeyConstraint("subscription", "number"),
    Index(None, "episode", "subscription", "number"),
)

#: One notification on its way. `settled` is empty until the subscriber has answered for good or we gave up.
DELIVERIES = Table(
    "deliveries",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("subscription", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("episode", Text, ForeignKey("episodes.id"), nullable=False),
    Column("state", Text, nullable=False),
    Column("attempts", BigInteger, nullable=False),
    Column("due", BigInteger, nullable=False),
    Column("created", BigInteger, nullable=False),
    Column("claimed_by", Text),
    Column("lease_until", BigInteger),
    Column("reason", Text),
    Column("answer", Text),
    Column("settled", BigInteger),
    Column("payload", LargeBinary),
    UniqueConstraint("subscription", "number"),
    _partial("ix_deliveries_unsettled", "subscription", "number", where="settled IS NULL"),
    _partial("ix_deliveries_leases", "lease_until", where="lease_until IS NOT NULL"),
    Index(None, "state", "subscription"),
    Index(None, "episode", "subscription", "number"),
)

# ── who did what ───────────────────────────────────────────────────────────────────────────────────

#: Append-only; `hash` covers the row and the hash of the row before it.
AUDIT = Table(
    "audit",
    METADATA,
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("records", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)

#: One row, written to see whether the database can be written.
PULSE = Table(
    "pulse",
    METADATA,
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
)

#: Who may sign in to the pages; `password_hash` is an Argon2 string with its own salt and costs.
ACCOUNTS = Table(
    "accounts",
    METADATA,
    Column("name", Text, primary_key=True),
    Column("password_hash", Text, nullable=False),
    Column("created", BigInteger, nullable=False),
)
