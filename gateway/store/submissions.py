"""What was handed to the report web service: the handle, the code so far, and the report that goes with the answer.

A submission that is not settled yet waits for whoever claims it; its payload lies in the pieces of the message that
has its handle for an id (`gateway.store.pieces`). A claim is a lease: it ends by itself when its holder has died. The
report may quote what the sender sent, so it is sealed, and forgotten after a time; the handle and the code stay.
"""

import zlib
from datetime import datetime

from sqlalchemy import bindparam, null, or_, select, update

from gateway.records import Record
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import SUBMISSIONS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = SUBMISSIONS.c
_COLUMNS = (_C.handle, _C.feed, _C.data_schema, _C.schema_version, _C.code, _C.received, _C.settled)
_INSERT = Statement(insert_into(SUBMISSIONS))
_FIND = Statement(select(*_COLUMNS).where(_C.handle == bindparam("handle")))
_REPORT = Statement(select(_C.report).where(_C.handle == bindparam("handle")))
_NOTE = Statement(
    update(SUBMISSIONS).where(_C.handle == bindparam("of"), _C.settled.is_(None)).values(code=bindparam("code"))
)
_SETTLE = Statement(
    update(SUBMISSIONS)
    .where(_C.handle == bindparam("of"), _C.settled.is_(None))
    .values(
        code=bindparam("code"),
        settled=bindparam("settled"),
        report=bindparam("report"),
        claimed_by=null(),
        lease_until=null(),
    )
)
_FREE = Statement(
    select(*_COLUMNS)
    .where(_C.settled.is_(None), or_(_C.lease_until.is_(None), _C.lease_until < bindparam("now")))
    .order_by(_C.received)
    .limit(1)
)
_CLAIM = Statement(
    update(SUBMISSIONS)
    .where(_C.handle == bindparam("of"))
    .values(claimed_by=bindparam("who"), lease_until=bindparam("until"))
)
_RENEW = Statement(
    update(SUBMISSIONS)
    .where(_C.handle == bindparam("of"), _C.claimed_by == bindparam("who"))
    .values(lease_until=bindparam("until"))
)
_RELEASE_ALL = Statement(update(SUBMISSIONS).where(_C.settled.is_(None)).values(claimed_by=null(), lease_until=null()))
_FORGET = Statement(
    update(SUBMISSIONS).where(_C.report.is_not(None), _C.settled < bindparam("before")).values(report=null())
)


class Submission(Record, frozen=True, kw_only=True):
    """One submission; `settled` is None while `code` is not final. `data_schema` is its requestDataSchema."""

    handle: str
    feed: str
    data_schema: int
    schema_version: str
    code: int
    received: datetime
    settled: datetime | None = None


def add(
    tx: Tx,
    submission: Submission,
    *,
    report: bytes | None = None,
    claimed_by: str | None = None,
    lease_until: datetime | None = None,
) -> None:
    """Keep a submission: settled, with its report, or waiting and perhaps claimed by whoever is at it already."""
    tx.run(
        _INSERT,
        handle=submission.handle,
        feed=submission.feed,
        data_schema=submission.data_schema,
        schema_version=submission.schema_version,
        code=submission.code,
        received=to_micros(submission.received),
        settled=to_micros(submission.settled),
        claimed_by=claimed_by,
        lease_until=to_micros(lease_until),
        report=_sealed(tx, submission.handle, report),
    )


def find(tx: Tx, handle: str) -> Submission | None:
    """Find a submission by its handle."""
    row = tx.find(_FIND, handle=handle)
    return None if row is None else _submission(row)


def get_report(tx: Tx, handle: str) -> bytes | None:
    """Give back the report of a settled submission; None where it has none. Raises `GatewayFault` if it was altered."""
    row = tx.find(_REPORT, handle=handle)
    sealed = row[0] if row is not None else None
    return None if sealed is None else zlib.decompress(tx.keys.open(sealed, place=_place(handle)))


def note(tx: Tx, handle: str, code: int) -> None:
    """Note how far a waiting submission has come."""
    tx.run(_NOTE, of=handle, code=code)


def settle(tx: Tx, handle: str, *, code: int, report: bytes | None, at: datetime) -> bool:
    """Give a waiting submission its final code; False when it had one."""
    return tx.run(_SETTLE, of=handle, code=code, report=_sealed(tx, handle, report), settled=to_micros(at)) == 1


def claim(tx: Tx, *, who: str, now: datetime, until: datetime) -> Submission | None:
    """Take the submission that has waited longest and that nobody is at; None where there is none."""
    tx.lock("submissions")
    row = tx.find(_FREE, now=to_micros(now))
    if row is None:
        return None
    tx.run(_CLAIM, of=row[0], who=who, until=to_micros(until))
    return _submission(row)


def renew(tx: Tx, handle: str, *, who: str, until: datetime) -> bool:
    """Hold a claim for longer; False when it is no longer there."""
    return tx.run(_RENEW, of=handle, who=who, until=to_micros(until)) == 1


def release_all(tx: Tx) -> int:
    """Give up every claim: for a database that no other process works on."""
    return tx.run(_RELEASE_ALL)


def forget_reports(tx: Tx, before: datetime) -> int:
    """Forget the reports of what was settled before a time; gives back how many there were."""
    return tx.run(_FORGET, before=to_micros(before))


def _sealed(tx: Tx, handle: str, report: bytes | None) -> bytes | None:
    return None if report is None else tx.keys.seal(zlib.compress(report), place=_place(handle))


def _place(handle: str) -> str:
    return f"submissions:{handle}"


def _submission(row: Row) -> Submission:
    return Submission(
        handle=row[0],
        feed=row[1],
        data_schema=row[2],
        schema_version=row[3],
        code=row[4],
        received=from_micros(row[5]),
        settled=from_micros(row[6]),
    )
