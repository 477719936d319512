"""Who knocks at the MLLP doors without being known: which address, in whose name, how often, since when.

The table is bounded, since anybody who reaches a port can write into it: an address has so many rows, and all
addresses together; whatever comes beyond is counted in one row of its own. What has not been seen for a month
makes room. Never a person's data: MSH-3 and MSH-4 name systems, and only their printable beginning is kept.
"""

from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import bindparam, delete, func, select

from gateway.records import Record
from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import STRANGERS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Tx

FROM_ONE_ADDRESS = 20  # rows: an interface engine that sends for several systems has a handful
IN_ALL = 500
LONGEST_NAME = 60  # characters of MSH-3 and MSH-4; HL7 v2.5 gives HD.1 twenty
FORGOTTEN_AFTER = timedelta(days=30)

_C = STRANGERS.c
_KEY = ("door", "address", "application", "facility", "gathered")
_AGAIN = {"times": _C.times + 1, "code": bindparam("code"), "last_seen": bindparam("last_seen")}
_NOTE = Statement(upsert_into(STRANGERS, _AGAIN))
_TIMES = Statement(select(_C.times).where(*(_C[name] == bindparam(name) for name in _KEY)))
_FROM_ADDRESS = Statement(select(func.count()).select_from(STRANGERS).where(_C.address == bindparam("address")))
_COUNT = Statement(select(func.count()).select_from(STRANGERS))
_FORGET = Statement(delete(STRANGERS).where(_C.last_seen < bindparam("before")))
_NEWEST = Statement(
    select(*(_C[name] for name in _KEY), _C.code, _C.times, _C.first_seen, _C.last_seen)
    .order_by(_C.last_seen.desc(), _C.address, _C.application, _C.facility)
    .limit(bindparam("limit"))
)


class Knock(NamedTuple):
    """One message of a stranger: the door, the address it came from, MSH-3.1 and MSH-4.1, why it was refused."""

    door: str
    address: str
    application: str
    facility: str
    code: str


class Stranger(Record, frozen=True, kw_only=True):
    """One who knocks; `gathered` where it stands for all whom the table had no room for.

    `code` is why the newest message was refused.
    """

    door: str
    address: str
    application: str
    facility: str
    gathered: bool
    code: str
    times: int
    first_seen: datetime
    last_seen: datetime


def note(tx: Tx, knock: Knock, *, at: datetime) -> int:
    """Note a knock and give back how often this stranger has knocked by now."""
    row = _row(knock, at)
    tx.lock("strangers")
    before = tx.find(_TIMES, **_key(row))
    if before is None:
        row = _with_room(tx, row, at)
        before = tx.find(_TIMES, **_key(row))
    tx.run(_NOTE, **row)
    return 1 if before is None else int(before[0]) + 1


def newest(tx: Tx, *, limit: int = 50) -> list[Stranger]:
    """Give back who knocked, the latest first."""
    return [
        Stranger(
            door=door,
            address=address,
            application=application,
            facility=facility,
            gathered=gathered,
            code=code,
            times=times,
            first_seen=from_micros(first),
            last_seen=from_micros(last),
        )
        for door, address, application, facility, gathered, code, times, first, last in tx.rows(_NEWEST, limit=limit)
    ]


def count(tx: Tx) -> int:
    """How many strangers there are."""
    row = tx.find(_COUNT)
    assert row is not None
    return int(row[0])


def _row(knock: Knock, at: datetime) -> dict[str, Any]:
    return {
        "door": knock.door,
        "address": knock.address,
        "application": _printable(knock.application),
        "facility": _printable(knock.facility),
        "gathered": False,
        "code": knock.code,
        "times": 1,
        "first_seen": to_micros(at),
        "last_seen": to_micros(at),
    }


def _key(row: dict[str, Any]) -> dict[str, Any]:
    return {name: row[name] for name in _KEY}


def _with_room(tx: Tx, row: dict[str, Any], at: datetime) -> dict[str, Any]:
    """The row itself while there is room for it; else the one that stands for all others, of its address or at all."""
    tx.run(_FORGET, before=to_micros(at - FORGOTTEN_AFTER))
    gathered = row | {"application": "", "facility": "", "gathered": True}
    if count(tx) >= IN_ALL:
        return gathered | {"door": "", "address": ""}
    found = tx.find(_FROM_ADDRESS, address=row["address"])
    assert found is not None
    return gathered if found[0] >= FROM_ONE_ADDRESS else row


def _printable(text: str) -> str:
    return "".join(character for character in text if character.isprintable())[:LONGEST_NAME]
