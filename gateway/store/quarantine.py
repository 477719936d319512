"""Messages that could not be kept as records or attributed to a feed, and why.

The message itself lies with all others (`gateway.store.messages`, outcome `quarantined`). Here stands what
was wrong with it, at which place, and whether somebody has seen to it. Never a value from the message.
"""

from datetime import datetime

from sqlalchemy import bindparam, func, select, update

from gateway.records import Record, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import MESSAGES, QUARANTINE
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Tx

_C = QUARANTINE.c
_INSERT = Statement(insert_into(QUARANTINE))
_OPEN = (
    select(_C.message, MESSAGES.c.feed, MESSAGES.c.door, _C.code, _C.says, _C.remedy, _C.path, _C.line, _C.at)
    .join_from(QUARANTINE, MESSAGES)
    .where(_C.settled.is_(None))
    .order_by(_C.at.desc())
    .limit(bindparam("limit"))
)
_OPEN_ALL = Statement(_OPEN)
#: Asked of each open row, of which there are few; with a join SQLite would begin with all messages of the traffic.
_THEIRS = MESSAGES.alias("theirs")
_TRAFFIC = select(_THEIRS.c.traffic).where(_THEIRS.c.id == _C.message).scalar_subquery()
_OPEN_OF = Statement(_OPEN.where(bindparam("traffic") == _TRAFFIC))
_COUNT = select(func.count()).select_from(QUARANTINE).where(_C.settled.is_(None))
_COUNT_ALL = Statement(_COUNT)
_COUNT_OF = Statement(_COUNT.where(bindparam("traffic") == _TRAFFIC))
_SETTLE = Statement(
    update(QUARANTINE)
    .where(_C.message == bindparam("key"), _C.settled.is_(None))
    .values(settled=bindparam("at"), settled_by=bindparam("by"))
)


class Quarantined(Record, frozen=True, kw_only=True):
    """Why one message lies in quarantine; `feed` and `door` are those of the message, and only read back."""

    message: str
    code: str
    says: str
    at: datetime
    remedy: str = ""
    path: str = ""
    line: int | None = None
    feed: str | None = None
    door: str = ""


def add(tx: Tx, quarantined: Quarantined) -> None:
    """Say why a message, added before, is in quarantine."""
    tx.run(
        _INSERT,
        message=quarantined.message,
        code=quarantined.code,
        says=quarantined.says,
        remedy=quarantined.remedy,
        path=quarantined.path,
        line=quarantined.line,
        at=to_micros(quarantined.at),
        settled=None,
        settled_by=None,
    )


def open_items(tx: Tx, *, traffic: Traffic | None = None, limit: int = 50) -> list[Quarantined]:
    """Give back what nobody has seen to yet, of one kind of traffic or of both, the newest first."""
    found = tx.rows(_OPEN_ALL, limit=limit) if traffic is None else tx.rows(_OPEN_OF, traffic=traffic, limit=limit)
    return [
        Quarantined(
            message=message,
            feed=feed,
            door=door,
            code=code,
            says=says,
            remedy=remedy,
            path=path,
            line=line,
            at=from_micros(at),
        )
        for message, feed, door, code, says, remedy, path, line, at in found
    ]


def count_open(tx: Tx, *, traffic: Traffic | None = None) -> int:
    """How many messages nobody has seen to yet, of one kind of traffic or of both."""
    row = tx.find(_COUNT_ALL) if traffic is None else tx.find(_COUNT_OF, traffic=traffic)
    assert row is not None
    return int(row[0])


def settle(tx: Tx, message_id: str, *, at: datetime, by: str) -> bool:
    """Note that somebody has seen to a message; False when it was not open."""
    return tx.run(_SETTLE, key=message_id, at=to_micros(at), by=by) == 1
