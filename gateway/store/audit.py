"""Who did what to which records, when and why: only ever added to, each row chained to the one before.

    hash = SHA-256(hash of the row before | JSON of [number, at, who, what, records, why])

A row that is altered, removed or put between others breaks the chain at its place. Rows cut off at the end
do not; who wants to notice that keeps the head (`head`) somewhere else from time to time. The rows of a batch
are chained when its transaction closes, so processes that share a database wait for each other only then.

Never a person's data: records are named by their ids.
"""

import hashlib
from collections.abc import Iterator
from datetime import datetime

import msgspec
from sqlalchemy import bindparam, select

from gateway.records import Record
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import AUDIT
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = AUDIT.c
_COLUMNS = (_C.number, _C.at, _C.who, _C.what, _C.records, _C.why, _C.hash)
_INSERT = Statement(insert_into(AUDIT))
_HEAD = Statement(select(_C.number, _C.hash).order_by(_C.number.desc()).limit(1))
_AFTER = Statement(
    select(*_COLUMNS).where(_C.number > bindparam("number")).order_by(_C.number).limit(bindparam("limit"))
)
_RECENT = Statement(select(*_COLUMNS).order_by(_C.number.desc()).limit(bindparam("limit")))
_BEGINNING = bytes(32)  # what the first row is chained to
_NAMES = tuple(column.name for column in _COLUMNS)
_PAGE = 1000
_ENCODER = msgspec.json.Encoder()
_RECORDS = msgspec.json.Decoder(tuple[str, ...])


class Entry(Record, frozen=True, kw_only=True):
    """One thing that was done; `what` is a verb in the past (`linked`, `signed-in`), `records` are ids.

    `number` is only read back.
    """

    at: datetime
    who: str
    what: str
    records: tuple[str, ...] = ()
    why: str = ""
    number: int = 0


class Head(Record, frozen=True, kw_only=True):
    """The end of the chain: how many rows there are, and the hash that covers them all."""

    number: int
    hash: bytes


class Verdict(Record, frozen=True, kw_only=True):
    """What a check of the chain found: its head as far as it holds, and the number where it breaks."""

    head: Head
    broken_at: int | None = None


def append(tx: Tx, entry: Entry) -> None:
    """Have an entry chained and kept when the transaction closes."""
    tx.defer(_chain, entry)


def head(tx: Tx) -> Head:
    """Give back the end of the chain."""
    row = tx.find(_HEAD)
    return Head(number=0, hash=_BEGINNING) if row is None else Head(number=row[0], hash=bytes(row[1]))


def verify(tx: Tx) -> Verdict:
    """Walk the whole chain. Never raises for a broken one: that is the verdict."""
    number, before = 0, _BEGINNING
    for row in _rows(tx):
        if row[0] != number + 1 or bytes(row[-1]) != _hash(before, row[:-1]):
            return Verdict(head=Head(number=number, hash=before), broken_at=number + 1)
        number, before = row[0], bytes(row[-1])
    return Verdict(head=Head(number=number, hash=before))


def recent(tx: Tx, *, limit: int = 50) -> list[Entry]:
    """Give back the newest entries, the newest first."""
    return [
        Entry(number=number, at=from_micros(at), who=who, what=what, records=_RECORDS.decode(records), why=why)
        for number, at, who, what, records, why, _ in tx.rows(_RECENT, limit=limit)
    ]


def _chain(tx: Tx, entries: list[Entry]) -> None:
    tx.lock("audit")
    end = head(tx)
    before, rows = end.hash, []
    for number, entry in enumerate(entries, end.number + 1):
        row = _row(number, entry)
        before = _hash(before, row)
        rows.append(dict(zip(_NAMES, (*row, before), strict=True)))
    tx.run_each(_INSERT, rows)


def _row(number: int, entry: Entry) -> Row:
    records = _ENCODER.encode(entry.records).decode()
    return (number, to_micros(entry.at), entry.who, entry.what, records, entry.why)


def _hash(before: bytes, row: Row) -> bytes:
    return hashlib.sha256(before + _ENCODER.encode(row)).digest()


def _rows(tx: Tx) -> Iterator[Row]:
    """All rows in order, a page at a time."""
    number = -1
    while page := tx.rows(_AFTER, number=number, limit=_PAGE):
        yield from page
        number = page[-1][0]
