"""How much each feed sent, by day, and when it last spoke.

Counted as messages are kept, once per transaction: a page about feeds reads a few rows, however many
messages there are. Days are days of UTC.
"""

from collections import Counter
from datetime import UTC, date, datetime

from sqlalchemy import BigInteger, bindparam, case, func, select

from gateway.records import Record, Traffic
from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import FEED_DAYS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Tx

_C = FEED_DAYS.c
_Key = tuple[str, str, str, str, str]  # the columns of the primary key, in their order
_UNKNOWN = ""  # stands in the key for a message that no feed of the region sends
_LAST = bindparam("last_received", type_=BigInteger)
_COUNT = Statement(
    upsert_into(
        FEED_DAYS,
        {
            "messages": _C.messages + bindparam("messages"),
            "last_received": case((_C.last_received > _LAST, _C.last_received), else_=_LAST),
        },
    )
)
_DAYS = Statement(
    select(_C.feed, _C.day, _C.kind, _C.outcome, _C.messages, _C.last_received)
    .where(_C.traffic == bindparam("traffic"), _C.day >= bindparam("since"))
    .order_by(_C.feed, _C.day, _C.kind, _C.outcome)
)
_TOTALS = Statement(
    select(_C.feed, func.sum(_C.messages), func.max(_C.last_received))
    .where(_C.traffic == bindparam("traffic"))
    .group_by(_C.feed)
    .order_by(_C.feed)
)


class FeedDay(Record, frozen=True, kw_only=True):
    """What one feed sent on one day of UTC, by kind of message and outcome; `feed` is None for unknown senders."""

    feed: str | None
    day: date
    kind: str
    outcome: str
    messages: int
    last_received: datetime


class FeedTotal(Record, frozen=True, kw_only=True):
    """All that one feed ever sent."""

    feed: str | None
    messages: int
    last_received: datetime


def count(tx: Tx, *, feed: str | None, traffic: Traffic, kind: str, outcome: str, received: datetime) -> None:
    """Count one message; `messages.add` does so for each."""
    day = received.astimezone(UTC).date().isoformat()
    key: _Key = (feed or _UNKNOWN, traffic, day, kind, outcome)
    tx.defer(_write, (key, to_micros(received)))


def days(tx: Tx, *, traffic: Traffic, since: date) -> list[FeedDay]:
    """Give back the counts from the day `since` on."""
    found = tx.rows(_DAYS, traffic=traffic, since=since.isoformat())
    return [
        FeedDay(
            feed=feed or None,
            day=date.fromisoformat(day),
            kind=kind,
            outcome=outcome,
            messages=messages,
            last_received=from_micros(last),
        )
        for feed, day, kind, outcome, messages, last in found
    ]


def totals(tx: Tx, *, traffic: Traffic) -> list[FeedTotal]:
    """Give back, for each feed that ever sent something, how much and when last."""
    found = tx.rows(_TOTALS, traffic=traffic)
    return [
        FeedTotal(feed=feed or None, messages=int(messages), last_received=from_micros(last))
        for feed, messages, last in found
    ]


def _write(tx: Tx, items: list[tuple[_Key, int]]) -> None:
    """Raise each counter once, in the order of the keys: two processes never wait for each other."""
    messages = Counter(key for key, _ in items)
    last: dict[_Key, int] = {}
    for key, received in items:
        last[key] = max(received, last.get(key, received))
    names = ("feed", "traffic", "day", "kind", "outcome")
    tx.run_each(
        _COUNT,
        [
            {**dict(zip(names, key, strict=True)), "messages": messages[key], "last_received": last[key]}
            for key in sorted(messages)
        ],
    )
