"""Reviews: the questions only a person can answer, and the answers."""

from datetime import datetime

from sqlalchemy import bindparam, func, select, update

from gateway.errors import GatewayFault
from gateway.records import Record, RecordKind, Review, ReviewState, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import REVIEW_RECORDS, REVIEWS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = REVIEWS.c
_R = REVIEW_RECORDS.c
_COLUMNS = (_C.id, _C.traffic, _C.state, _C.question, _C.says, _C.episode, _C.opened)
_INSERT = Statement(insert_into(REVIEWS))
_INSERT_RECORD = Statement(insert_into(REVIEW_RECORDS))
_RECORDS = Statement(select(_R.kind, _R.record).where(_R.review == bindparam("id")).order_by(_R.number))
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")))
_OPEN = Statement(
    select(*_COLUMNS)
    .where(_C.traffic == bindparam("traffic"), _C.state == "open")
    .order_by(_C.opened, _C.id)
    .limit(bindparam("limit"))
)
_OF_EPISODE = Statement(select(*_COLUMNS).where(_C.episode == bindparam("episode")).order_by(_C.opened, _C.id))
_OF_RECORD = Statement(
    select(*_COLUMNS)
    .join_from(REVIEW_RECORDS, REVIEWS)
    .where(_R.kind == bindparam("kind"), _R.record == bindparam("record"))
    .order_by(_C.opened, _C.id)
)
_COUNTS = Statement(select(_C.state, func.count()).where(_C.traffic == bindparam("traffic")).group_by(_C.state))
_ANSWER = Statement(
    update(REVIEWS)
    .where(_C.id == bindparam("of"), _C.state == "open")
    .values(state="answered", answered=bindparam("at"), answered_by=bindparam("by"), answer=bindparam("answer"))
)
_ANSWER_OF = Statement(
    select(_C.answer, _C.answered_by, _C.answered).where(_C.id == bindparam("id"), _C.state == "answered")
)


class Answer(Record, frozen=True, kw_only=True):
    """What a person decided; `answer` is a code of `gateway.linking`."""

    answer: str
    by: str
    at: datetime


def add(tx: Tx, review: Review) -> None:
    """Open a review."""
    tx.run(
        _INSERT,
        id=review.id,
        traffic=review.traffic,
        state=ReviewState.OPEN,
        question=review.question,
        says=review.says,
        episode=review.episode,
        opened=to_micros(review.opened),
        answered=None,
        answered_by=None,
        answer=None,
    )
    for number, (kind, record) in enumerate(review.records):
        tx.run(_INSERT_RECORD, review=review.id, number=number, kind=kind, record=record)


def get(tx: Tx, review_id: str) -> Review:
    """Give back one review. Raises `GatewayFault` when there is none."""
    row = tx.find(_GET, id=review_id)
    if row is None:
        raise GatewayFault(f"reviews: no review {review_id}")
    return _review(tx, row)


def open_reviews(tx: Tx, *, traffic: Traffic, limit: int = 50) -> list[Review]:
    """Give back the questions that wait, the oldest first."""
    return [_review(tx, row) for row in tx.rows(_OPEN, traffic=traffic, limit=limit)]


def of_episode(tx: Tx, episode: str) -> list[Review]:
    """Give back all reviews about an episode, the oldest first."""
    return [_review(tx, row) for row in tx.rows(_OF_EPISODE, episode=episode)]


def of_record(tx: Tx, kind: RecordKind, record: str) -> list[Review]:
    """Give back all reviews about a record, the oldest first: whoever asks again looks here before."""
    return [_review(tx, row) for row in tx.rows(_OF_RECORD, kind=kind, record=record)]


def answer(tx: Tx, review_id: str, answer: str, *, by: str, at: datetime) -> bool:
    """Keep a person's answer; False when the review was answered before."""
    return tx.run(_ANSWER, of=review_id, answer=answer, by=by, at=to_micros(at)) == 1


def find_answer(tx: Tx, review_id: str) -> Answer | None:
    """Find the answer to a review."""
    row = tx.find(_ANSWER_OF, id=review_id)
    return None if row is None else Answer(answer=row[0], by=row[1], at=from_micros(row[2]))


def count(tx: Tx, *, traffic: Traffic) -> dict[ReviewState, int]:
    """How many reviews there are, by state."""
    return {ReviewState(state): int(number) for state, number in tx.rows(_COUNTS, traffic=traffic)}


def _review(tx: Tx, row: Row) -> Review:
    review_id, traffic, state, question, says, episode, opened = row
    return Review(
        id=review_id,
        traffic=Traffic(traffic),
        state=ReviewState(state),
        question=question,
        says=says,
        episode=episode,
        opened=from_micros(opened),
        records=tuple((RecordKind(kind), record) for kind, record in tx.rows(_RECORDS, id=review_id)),
    )
