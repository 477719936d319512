"""Messages as they arrived, sealed byte for byte.

A message is stored whatever becomes of it. The same message sent again is recognised by its feed, its
control id and the hash of its bytes together: a control id alone is reused by some senders after a restart
(common practice, no source).
"""

import hashlib
from datetime import datetime
from enum import StrEnum

from sqlalchemy import bindparam, func, literal_column, select

from gateway.errors import GatewayFault
from gateway.records import Record, Traffic
from gateway.store import feeds, pieces
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import MESSAGES
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = MESSAGES.c
_COLUMNS = (
    _C.id,
    _C.feed,
    _C.door,
    _C.received,
    _C.kind,
    _C.control_id,
    _C.content_hash,
    _C.outcome,
    _C.answer,
    _C.traffic,
    _C.size,
)
_INSERT = Statement(insert_into(MESSAGES))
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")))
_RAW = Statement(select(_C.content).where(_C.id == bindparam("id")))
_SAME = Statement(
    select(*_COLUMNS).where(
        _C.feed == bindparam("feed"),
        _C.control_id == bindparam("control_id"),
        _C.content_hash == bindparam("content_hash"),
        _C.outcome == literal_column("'kept'"),
    )
)
_RECENT = Statement(select(*_COLUMNS).order_by(_C.id.desc()).limit(bindparam("limit")))
_RECENT_TRAFFIC = Statement(
    select(*_COLUMNS).where(_C.traffic == bindparam("traffic")).order_by(_C.received.desc()).limit(bindparam("limit"))
)
_COUNTS_SINCE = Statement(
    select(_C.feed, func.count())
    .where(_C.traffic == bindparam("traffic"), _C.received >= bindparam("since"))
    .group_by(_C.feed)
)


class MessageKind(StrEnum):
    """What the door took the message for."""

    CARE_REPORT = "care-report"
    ADMISSION = "admission"


class Outcome(StrEnum):
    """What became of a message."""

    KEPT = "kept"  #: read, attributed, and what it says is stored
    QUARANTINED = "quarantined"  #: could not be read or attributed; see `gateway.store.quarantine`
    DUPLICATE = "duplicate"  #: the same message was kept before; answered again, nothing else done


class Message(Record, frozen=True, kw_only=True):
    """One message as it arrived: everything but its bytes.

    `feed` is None when no feed of the region sends it; `control_id` is MSH-10, or empty for a care report;
    `content_hash` is `fingerprint` of the bytes; `answer` the code the sender got (AA, AE, an HTTP status);
    `size` counts bytes.
    """

    id: str
    feed: str | None
    door: str
    received: datetime
    kind: MessageKind
    content_hash: bytes
    outcome: Outcome
    answer: str
    size: int
    control_id: str = ""
    traffic: Traffic = Traffic.LIVE


def fingerprint(raw: bytes) -> bytes:
    """The hash by which a message is known again: SHA-256, 32 bytes."""
    return hashlib.sha256(raw).digest()


def add(tx: Tx, message: Message, raw: bytes | None) -> None:
    """Keep a message and count it for its feed; `raw` may be None for a duplicate, whose bytes are kept."""
    tx.run(
        _INSERT,
        id=message.id,
        feed=message.feed,
        door=message.door,
        received=to_micros(message.received),
        kind=message.kind,
        control_id=message.control_id,
        content_hash=message.content_hash,
        outcome=message.outcome,
        answer=message.answer,
        traffic=message.traffic,
        size=message.size,
        content=None if raw is None else tx.keys.seal(raw, place=_place(message.id)),
    )
    feeds.count(
        tx,
        feed=message.feed,
        traffic=message.traffic,
        kind=message.kind,
        outcome=message.outcome,
        received=message.received,
    )


def find_same(
    tx: Tx, *, feed: str, control_id: str, content_hash: bytes, traffic: Traffic, since: datetime | None = None
) -> Message | None:
    """Find the message that was kept when the same bytes came in before, as traffic of the same kind.

    `since` bounds how long ago: control ids begin anew some day, and an old message may then be meant again.

    What a feed sent on trial and sends again once it is live comes for the first time.
    """
    found = map(_message, tx.rows(_SAME, feed=feed, control_id=control_id, content_hash=content_hash))
    return next((each for each in found if each.traffic == traffic and (since is None or each.received >= since)), None)


def find(tx: Tx, message_id: str) -> Message | None:
    """Find one message by its id."""
    row = tx.find(_GET, id=message_id)
    return None if row is None else _message(row)


def get(tx: Tx, message_id: str) -> Message:
    """Give back one message. Raises `GatewayFault` when there is none."""
    found = find(tx, message_id)
    if found is None:
        raise GatewayFault(f"messages: no message {message_id}")
    return found


def get_raw(tx: Tx, message_id: str) -> bytes:
    """Give back the bytes as they arrived. Raises `GatewayFault` when there are none, or they were altered."""
    row = tx.find(_RAW, id=message_id)
    if row is not None and row[0] is not None:
        return tx.keys.open(row[0], place=_place(message_id))
    whole = pieces.gather(tx, message_id)
    if whole is None:
        raise GatewayFault(f"messages: no content for message {message_id}")
    return whole


def recent(tx: Tx, *, limit: int = 50) -> list[Message]:
    """Give back the newest messages, the newest first; an id begins with the millisecond it was made in."""
    return [_message(row) for row in tx.rows(_RECENT, limit=limit)]


def recent_traffic(tx: Tx, *, traffic: Traffic, limit: int = 50) -> list[Message]:
    """Give back the newest messages of one kind of traffic, the newest first."""
    return [_message(row) for row in tx.rows(_RECENT_TRAFFIC, traffic=traffic, limit=limit)]


def count_since(tx: Tx, *, traffic: Traffic, since: datetime) -> dict[str | None, int]:
    """How many messages arrived since a time, by feed; None stands for senders that no feed of the region is."""
    found = tx.rows(_COUNTS_SINCE, traffic=traffic, since=to_micros(since))
    return {feed: int(number) for feed, number in found}


def _place(message_id: str) -> str:
    return f"messages:{message_id}"


def _message(row: Row) -> Message:
    return Message(
        id=row[0],
        feed=row[1],
        door=row[2],
        received=from_micros(row[3]),
        kind=MessageKind(row[4]),
        control_id=row[5],
        content_hash=bytes(row[6]),
        outcome=Outcome(row[7]),
        answer=row[8],
        traffic=Traffic(row[9]),
        size=row[10],
    )
