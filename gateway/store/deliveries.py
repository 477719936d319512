"""Deliveries: the queue of notifications, in the database.

* Order: per subscription and episode. A delivery can be claimed when none with a smaller number about the
  same episode is unsettled; deliveries about other episodes pass it.
* A claim is a lease. Whoever does not settle before it ends loses the delivery to the next who asks, and the
  settling of a lost claim changes nothing.
* What is sent is written down at the first claim, sealed, and sent again unchanged however often.
* Who asks says how far ahead a due time or a lease can lie at most. One that lies further was written before the
  clock was set back, and means nothing: otherwise everything would stand still until the old time comes round again.
* Settled means delivered, or held for a person. A held delivery does not keep back later ones: each
  notification tells the whole state of its episode, so a later one makes up for it.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, bindparam, case, exists, func, null, or_, select, update

from gateway.errors import GatewayFault
from gateway.records import Delivery, DeliveryState, Record
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import DELIVERIES
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

UNKNOWN = timedelta.max  # every time that is written down is believed
LAST = 2**63 - 1  # what both databases can compare with
_C = DELIVERIES.c
_COLUMNS = (
    _C.id,
    _C.subscription,
    _C.episode,
    _C.number,
    _C.state,
    _C.attempts,
    _C.due,
    _C.created,
    _C.reason,
    _C.settled,
)
_FIRST = DELIVERIES.alias("first")
_EARLIER = DELIVERIES.alias("earlier")
#: No unsettled delivery about the same episode has a smaller number.
_IS_FIRST = ~exists().where(
    _EARLIER.c.subscription == _FIRST.c.subscription,
    _EARLIER.c.episode == _FIRST.c.episode,
    _EARLIER.c.number < _FIRST.c.number,
    _EARLIER.c.settled.is_(None),
)
_UNSETTLED = (_FIRST.c.subscription == bindparam("of"), _FIRST.c.settled.is_(None))


def _is_come(time: ColumnElement[int]) -> ColumnElement[bool]:
    """Whether a time has come, or lies too far ahead to mean anything."""
    return or_(time <= bindparam("now"), time > bindparam("horizon"))


_INSERT = Statement(insert_into(DELIVERIES))
_CLAIM = Statement(
    update(DELIVERIES)
    .where(
        _C.id
        == select(_FIRST.c.id)
        .where(*_UNSETTLED, _FIRST.c.state != "sending", _is_come(_FIRST.c.due), _IS_FIRST)
        .order_by(_FIRST.c.number)
        .limit(1)
        .with_for_update(skip_locked=True)
        .scalar_subquery()
    )
    .values(
        state="sending",
        attempts=_C.attempts + 1,
        claimed_by=bindparam("worker"),
        lease_until=bindparam("lease_end"),
    )
    .returning(*_COLUMNS, _C.payload)
)
_NEXT = Statement(
    select(func.min(case((_FIRST.c.state == "sending", _FIRST.c.lease_until), else_=_FIRST.c.due))).where(
        *_UNSETTLED, _IS_FIRST
    )
)
_READY = Statement(
    select(_FIRST.c.number)
    .where(
        *_UNSETTLED,
        _is_come(case((_FIRST.c.state == "sending", _FIRST.c.lease_until), else_=_FIRST.c.due)),
        _IS_FIRST,
    )
    .order_by(_FIRST.c.number)
    .limit(1)
)
_CLAIMED = (_C.id == bindparam("of"), _C.state == "sending", _C.claimed_by == bindparam("worker"))
_SET_PAYLOAD = Statement(update(DELIVERIES).where(*_CLAIMED, _C.payload.is_(None)).values(payload=bindparam("content")))
_PAYLOAD = Statement(select(_C.payload).where(_C.id == bindparam("id")))
_LET_GO = {"claimed_by": null(), "lease_until": null()}
_SETTLE = Statement(
    update(DELIVERIES)
    .where(*_CLAIMED)
    .values(
        _LET_GO
        | {
            "state": bindparam("new_state"),
            "settled": bindparam("at"),
            "reason": bindparam("why"),
            "answer": bindparam("answered"),
        }
    )
)
_WAIT = Statement(
    update(DELIVERIES)
    .where(*_CLAIMED)
    .values(
        _LET_GO
        | {
            "state": "waiting",
            "due": bindparam("at"),
            "reason": bindparam("why"),
            "answer": bindparam("answered"),
        }
    )
)
_RELEASE = Statement(
    update(DELIVERIES)
    .where(_C.lease_until.is_not(None), _is_come(_C.lease_until))
    .values(_LET_GO | {"state": "queued"})
)
_GIVE_BACK = Statement(
    update(DELIVERIES)
    .where(_C.state == "sending", _C.claimed_by == bindparam("worker"))
    .values(_LET_GO | {"state": "queued"})
)
_REQUEUE = Statement(
    update(DELIVERIES)
    .where(_C.id == bindparam("of"), _C.state == "held")
    .values(state="queued", due=bindparam("at"), settled=null(), reason=null(), answer=null(), payload=null())
)
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")))
_OF_EPISODE = Statement(
    select(*_COLUMNS).where(_C.episode == bindparam("episode")).order_by(_C.subscription, _C.number)
)
_IN_STATE = Statement(
    select(*_COLUMNS)
    .where(_C.state == bindparam("state"))
    .order_by(_C.created.desc(), _C.subscription, _C.number.desc())
    .limit(bindparam("limit"))
)
_COUNTS = Statement(select(_C.subscription, _C.state, func.count()).group_by(_C.subscription, _C.state))
_ANSWER = Statement(select(_C.answer).where(_C.id == bindparam("id")))


class Claimed(Record, frozen=True, kw_only=True):
    """A delivery that is now its worker's; `sealed` is what was sent before, or None at the first claim."""

    delivery: Delivery
    sealed: bytes | None


def queue(tx: Tx, deliveries: Sequence[Delivery]) -> None:
    """Queue new deliveries; `gateway.store.events` does so for each new event."""
    tx.run_each(
        _INSERT,
        [
            {
                "id": delivery.id,
                "subscription": delivery.subscription,
                "number": delivery.number,
                "episode": delivery.episode,
                "state": DeliveryState.QUEUED,
                "attempts": 0,
                "due": to_micros(delivery.due),
                "created": to_micros(delivery.created),
                "claimed_by": None,
                "lease_until": None,
                "reason": None,
                "answer": None,
                "settled": None,
                "payload": None,
            }
            for delivery in deliveries
        ],
    )


def claim(
    tx: Tx, subscription: str, *, now: datetime, worker: str, lease: timedelta, horizon: timedelta = UNKNOWN
) -> Claimed | None:
    """Take the first delivery of a subscription that is due and may go; None when there is none.

    "First" is by number. `attempts` counts this one. The lease ends at `now + lease`; `horizon` is how far ahead
    a due time can lie.
    """
    times = _times(now, horizon)
    row = tx.find(_CLAIM, of=subscription, worker=worker, lease_end=to_micros(now + lease), **times)
    if row is None:
        return None
    return Claimed(delivery=_delivery(row), sealed=row[-1])


def open_payload(tx: Tx, claimed: Claimed) -> bytes | None:
    """Give back what was written down to be sent; None at the first claim. Raises `GatewayFault` if it was altered."""
    return None if claimed.sealed is None else tx.keys.open(claimed.sealed, place=_place(claimed.delivery.id))


def is_ready(tx: Tx, subscription: str, *, now: datetime, horizon: timedelta = UNKNOWN) -> bool:
    """Whether there is something to claim, or a lease that has ended; quick however long the queue is."""
    return tx.find(_READY, of=subscription, **_times(now, horizon)) is not None


def next_due(tx: Tx, subscription: str) -> datetime | None:
    """When there may next be something to claim: a due time, or the end of a lease; None for an empty queue.

    Looks at the whole queue, so it is asked for when nothing is ready.
    """
    row = tx.find(_NEXT, of=subscription)
    return None if row is None else from_micros(row[0])


def set_payload(tx: Tx, delivery_id: str, payload: bytes, *, worker: str) -> bytes:
    """Write down what is about to be sent, and give back what must be sent: the first that was written down.

    Raises `GatewayFault` when the claim was lost before anything was written.
    """
    tx.run(
        _SET_PAYLOAD,
        of=delivery_id,
        worker=worker,
        content=tx.keys.seal(payload, place=_place(delivery_id)),
    )
    row = tx.find(_PAYLOAD, id=delivery_id)
    if row is None or row[0] is None:
        raise GatewayFault(f"deliveries: the claim on delivery {delivery_id} was lost")
    return tx.keys.open(row[0], place=_place(delivery_id))


def settle(
    tx: Tx,
    delivery_id: str,
    state: DeliveryState,
    *,
    worker: str,
    at: datetime,
    reason: str | None = None,
    answer: str | None = None,
) -> bool:
    """Settle a claimed delivery for good, as delivered or held.

    `answer` sums up what the subscriber said, without a person's data. False when the claim was lost.
    Raises `ValueError` for a state that settles nothing.
    """
    if state not in (DeliveryState.DELIVERED, DeliveryState.HELD):
        raise ValueError(f"a delivery is not settled as {state}")
    touched = tx.run(
        _SETTLE,
        of=delivery_id,
        worker=worker,
        new_state=state,
        at=to_micros(at),
        why=reason,
        answered=answer,
    )
    return touched == 1


def wait(
    tx: Tx,
    delivery_id: str,
    *,
    worker: str,
    due: datetime,
    reason: str | None = None,
    answer: str | None = None,
) -> bool:
    """Put a claimed delivery off until `due`. False when the claim was lost."""
    touched = tx.run(_WAIT, of=delivery_id, worker=worker, at=to_micros(due), why=reason, answered=answer)
    return touched == 1


def release_expired(tx: Tx, *, now: datetime, horizon: timedelta = UNKNOWN) -> int:
    """Put every delivery whose lease has ended back into the queue; gives back how many."""
    return tx.run(_RELEASE, **_times(now, horizon))


def give_back(tx: Tx, *, worker: str) -> int:
    """Put back all that a worker has claimed, when it stops; gives back how many."""
    return tx.run(_GIVE_BACK, worker=worker)


def requeue(tx: Tx, delivery_id: str, *, at: datetime) -> bool:
    """Send a held delivery after all, as a person has decided; False when it is not held.

    What was written down to be sent is dropped: the subscriber refused exactly that.
    """
    return tx.run(_REQUEUE, of=delivery_id, at=to_micros(at)) == 1


def get(tx: Tx, delivery_id: str) -> Delivery:
    """Give back one delivery. Raises `GatewayFault` when there is none."""
    row = tx.find(_GET, id=delivery_id)
    if row is None:
        raise GatewayFault(f"deliveries: no delivery {delivery_id}")
    return _delivery(row)


def find_answer(tx: Tx, delivery_id: str) -> str | None:
    """Find what the subscriber said last."""
    row = tx.find(_ANSWER, id=delivery_id)
    return None if row is None else row[0]


def of_episode(tx: Tx, episode: str) -> list[Delivery]:
    """Give back all deliveries about an episode, in order per subscription."""
    return [_delivery(row) for row in tx.rows(_OF_EPISODE, episode=episode)]


def in_state(tx: Tx, state: DeliveryState, *, limit: int = 50) -> list[Delivery]:
    """Give back the newest deliveries in a state, the newest first."""
    return [_delivery(row) for row in tx.rows(_IN_STATE, state=state, limit=limit)]


def count(tx: Tx) -> dict[tuple[str, DeliveryState], int]:
    """How many deliveries there are, by subscription and state."""
    found = tx.rows(_COUNTS)
    return {(subscription, DeliveryState(state)): int(number) for subscription, state, number in found}


def _times(now: datetime, horizon: timedelta) -> dict[str, int | None]:
    """What `_is_come` compares with."""
    return {"now": to_micros(now), "horizon": min(to_micros(now) + horizon // timedelta(microseconds=1), LAST)}


def _delivery(row: Row) -> Delivery:
    return Delivery(
        id=row[0],
        subscription=row[1],
        episode=row[2],
        number=row[3],
        state=DeliveryState(row[4]),
        attempts=row[5],
        due=from_micros(row[6]),
        created=from_micros(row[7]),
        reason=row[8],
        settled=from_micros(row[9]),
    )


def _place(delivery_id: str) -> str:
    return f"deliveries:{delivery_id}"
