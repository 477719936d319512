"""What each subscription was told about, in numbers without gaps.

The numbers are given out when the transaction closes: all events of a batch at once, one subscription after
the other in the order of their names. So processes that share a database never wait for each other crosswise,
and a number is lost with the transaction that took it. The newest row is the counter: rows stay.

An event whose content is what the subscription was told last about the same episode is no event.
"""

from datetime import datetime
from itertools import groupby
from operator import attrgetter

from sqlalchemy import bindparam, func, select

from gateway.records import Delivery, DeliveryState, Record, Topic
from gateway.store import deliveries
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import EVENTS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = EVENTS.c
_COLUMNS = (_C.subscription, _C.number, _C.episode, _C.topic, _C.created, _C.content_hash)
_INSERT = Statement(insert_into(EVENTS))
_LAST = Statement(select(func.max(_C.number)).where(_C.subscription == bindparam("subscription")))
_TOLD = Statement(
    select(_C.content_hash)
    .where(_C.subscription == bindparam("subscription"), _C.episode == bindparam("episode"))
    .order_by(_C.number.desc())
    .limit(1)
)
_SINCE = Statement(
    select(*_COLUMNS)
    .where(_C.subscription == bindparam("subscription"), _C.number > bindparam("number"))
    .order_by(_C.number)
    .limit(bindparam("limit"))
)


class Notice(Record, frozen=True, kw_only=True):
    """Something a subscription is to be told about an episode.

    `content_hash` covers all that would be told; `delivery` is the id its delivery will have; `due` is when
    that may first be sent, at once if None.
    """

    subscription: str
    episode: str
    topic: Topic
    at: datetime
    content_hash: bytes
    delivery: str
    due: datetime | None = None


class Event(Record, frozen=True, kw_only=True):
    """One numbered event of a subscription."""

    subscription: str
    number: int
    episode: str
    topic: Topic
    created: datetime
    content_hash: bytes


def tell(tx: Tx, notice: Notice) -> None:
    """Have an event numbered and its delivery queued when the transaction closes, unless nothing changed."""
    tx.defer(_number, notice)


def is_telling(tx: Tx) -> bool:
    """Whether this transaction, so far, may queue deliveries when it closes."""
    return any(closing is _number for closing, _ in tx.deferred)


def last_number(tx: Tx, subscription: str) -> int:
    """The number of a subscription's newest event; 0 before the first."""
    row = tx.find(_LAST, subscription=subscription)
    return (row[0] if row is not None else None) or 0


def since(tx: Tx, subscription: str, *, number: int, limit: int = 100) -> list[Event]:
    """Give back the events after `number`, in order."""
    return [_event(row) for row in tx.rows(_SINCE, subscription=subscription, number=number, limit=limit)]


def _number(tx: Tx, notices: list[Notice]) -> None:
    by_name = attrgetter("subscription")
    for subscription, group in groupby(sorted(notices, key=by_name), by_name):
        tx.lock("subscription", subscription)
        _keep(tx, _numbered(tx, subscription, list(group)))


def _numbered(tx: Tx, subscription: str, notices: list[Notice]) -> list[tuple[int, Notice]]:
    """The notices that say something new, each with its number."""
    number = last_number(tx, subscription)
    told: dict[str, bytes | None] = {}
    numbered = []
    for notice in notices:
        if notice.episode not in told:
            row = tx.find(_TOLD, subscription=subscription, episode=notice.episode)
            told[notice.episode] = None if row is None else bytes(row[0])
        if told[notice.episode] != notice.content_hash:
            told[notice.episode] = notice.content_hash
            number += 1
            numbered.append((number, notice))
    return numbered


def _keep(tx: Tx, numbered: list[tuple[int, Notice]]) -> None:
    if not numbered:
        return
    tx.run_each(
        _INSERT,
        [
            {
                "subscription": notice.subscription,
                "number": number,
                "episode": notice.episode,
                "topic": notice.topic,
                "created": to_micros(notice.at),
                "content_hash": notice.content_hash,
            }
            for number, notice in numbered
        ],
    )
    deliveries.queue(tx, [_delivery(number, notice) for number, notice in numbered])


def _delivery(number: int, notice: Notice) -> Delivery:
    return Delivery(
        id=notice.delivery,
        subscription=notice.subscription,
        episode=notice.episode,
        number=number,
        state=DeliveryState.QUEUED,
        attempts=0,
        due=notice.due or notice.at,
        created=notice.at,
    )


def _event(row: Row) -> Event:
    return Event(
        subscription=row[0],
        number=row[1],
        episode=row[2],
        topic=Topic(row[3]),
        created=from_micros(row[4]),
        content_hash=bytes(row[5]),
    )
