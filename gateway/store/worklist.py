"""A feed's work list: what its messages get wrong, for the people who can change the export.

One row for each thing found at one place, however often it was found: a feed that sends the same fault in
every message has one item, with a count and the newest message as the example. The place is the path
without its positions (`PID-3.4` for `PID-3[2].4`). An item that somebody has settled comes back by itself
when a later message has the fault again.
"""

import re
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import bindparam, case, func, null, select, update

from gateway.records import Finding, Level, Record, Traffic
from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import WORKLIST
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Tx

_C = WORKLIST.c
_POSITION = re.compile(r"\[\d+\]")
_NOT_LISTED = frozenset({Level.NOTE})  # worth knowing, but no work
_KEY = ("feed", "traffic", "code", "place")
_NEWER = ("level", "says", "remedy", "path", "line", "message")
_SEEN_AGAIN = _C.settled < bindparam("last_seen")
_ADD = Statement(
    upsert_into(
        WORKLIST,
        {name: bindparam(name) for name in _NEWER}
        | {
            "times": _C.times + bindparam("times"),
            "last_seen": case((_C.last_seen > bindparam("last_seen"), _C.last_seen), else_=bindparam("last_seen")),
            "settled": case((_SEEN_AGAIN, null()), else_=_C.settled),
            "settled_by": case((_SEEN_AGAIN, null()), else_=_C.settled_by),
        },
    )
)
_COLUMNS = (
    _C.feed,
    _C.traffic,
    _C.code,
    _C.place,
    _C.level,
    _C.says,
    _C.remedy,
    _C.path,
    _C.line,
    _C.message,
    _C.times,
    _C.first_seen,
    _C.last_seen,
)
_OPEN = (
    select(*_COLUMNS)
    .where(_C.settled.is_(None), _C.traffic == bindparam("traffic"))
    .order_by(_C.last_seen.desc(), _C.feed, _C.code, _C.place)
    .limit(bindparam("limit"))
)
_OPEN_ALL = Statement(_OPEN)
_OPEN_OF = Statement(_OPEN.where(_C.feed == bindparam("feed")))
_COUNTS = Statement(
    select(_C.feed, func.count()).where(_C.settled.is_(None), _C.traffic == bindparam("traffic")).group_by(_C.feed)
)
_SETTLE = Statement(
    update(WORKLIST)
    .where(
        _C.feed == bindparam("of_feed"),
        _C.traffic == bindparam("of_traffic"),
        _C.code == bindparam("of_code"),
        _C.place == bindparam("of_place"),
        _C.settled.is_(None),
    )
    .values(settled=bindparam("at"), settled_by=bindparam("by"))
)


class Item(Record, frozen=True, kw_only=True):
    """One thing a feed gets wrong; `path`, `line` and `message` are those of the newest example."""

    feed: str
    traffic: Traffic
    code: str
    place: str
    level: Level
    says: str
    remedy: str
    path: str
    line: int | None
    message: str
    times: int
    first_seen: datetime
    last_seen: datetime


class _Note(NamedTuple):
    """One finding of one message, until the transaction closes."""

    feed: str
    traffic: Traffic
    finding: Finding
    message: str
    at: int


def add(tx: Tx, findings: tuple[Finding, ...], *, feed: str, message: str, at: datetime, traffic: Traffic) -> None:
    """Put the findings of one message on its feed's list; notes are left out."""
    for finding in findings:
        if finding.level not in _NOT_LISTED:
            tx.defer(_write, _Note(feed, traffic, finding, message, to_micros(at)))


def open_items(tx: Tx, *, traffic: Traffic, feed: str | None = None, limit: int = 200) -> list[Item]:
    """Give back what is open, of one feed or of all, the newest first."""
    if feed is None:
        found = tx.rows(_OPEN_ALL, traffic=traffic, limit=limit)
    else:
        found = tx.rows(_OPEN_OF, traffic=traffic, feed=feed, limit=limit)
    return [
        Item(
            feed=row[0],
            traffic=Traffic(row[1]),
            code=row[2],
            place=row[3],
            level=Level(row[4]),
            says=row[5],
            remedy=row[6],
            path=row[7],
            line=row[8],
            message=row[9],
            times=row[10],
            first_seen=from_micros(row[11]),
            last_seen=from_micros(row[12]),
        )
        for row in found
    ]


def count_open(tx: Tx, *, traffic: Traffic) -> dict[str, int]:
    """How many items are open for each feed."""
    return {feed: int(items) for feed, items in tx.rows(_COUNTS, traffic=traffic)}


def settle(tx: Tx, *, feed: str, traffic: Traffic, code: str, place: str, at: datetime, by: str) -> bool:
    """Note that an item has been dealt with; False when it was not open."""
    touched = tx.run(_SETTLE, of_feed=feed, of_traffic=traffic, of_code=code, of_place=place, at=to_micros(at), by=by)
    return touched == 1


def _write(tx: Tx, notes: list[_Note]) -> None:
    """One row for each item, in the order of their keys: two processes never wait for each other."""
    items: dict[tuple[str, ...], list[_Note]] = {}
    for note in notes:
        key = (note.feed, note.traffic, note.finding.code, _POSITION.sub("", note.finding.path))
        items.setdefault(key, []).append(note)
    tx.run_each(_ADD, [_row(key, items[key]) for key in sorted(items)])


def _row(key: tuple[str, ...], notes: list[_Note]) -> dict[str, Any]:
    newest = max(notes, key=lambda note: note.at)
    finding = newest.finding
    return dict(zip(_KEY, key, strict=True)) | {
        "level": finding.level,
        "says": finding.message,
        "remedy": finding.remedy,
        "path": finding.path,
        "line": finding.line,
        "message": newest.message,
        "times": len(notes),
        "first_seen": min(note.at for note in notes),
        "last_seen": newest.at,
        "settled": None,
        "settled_by": None,
    }
