"""What agencies say about themselves, the latest of each.

A demographic submission tells all there is: what it does not name has been deleted (NEMSIS UUID guide). So an agency
is one row, known by the state that issued its number and the number, and a later submission takes the place of the
earlier. Feeds on trial say theirs apart from the others.
"""

import hashlib
from datetime import datetime

import msgspec
from sqlalchemy import bindparam, select

from gateway.records import Record, Traffic
from gateway.records.demographics import Agency
from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import DEMOGRAPHICS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = DEMOGRAPHICS.c
_COLUMNS = (_C.state, _C.number, _C.traffic, _C.feed, _C.content_hash, _C.since, _C.content)
_PUT = Statement(
    upsert_into(DEMOGRAPHICS, {name: bindparam(name) for name in ("feed", "content_hash", "since", "content")})
)
_FIND = Statement(
    select(*_COLUMNS).where(
        _C.state == bindparam("state"), _C.number == bindparam("number"), _C.traffic == bindparam("traffic")
    )
)
_ALL = Statement(select(*_COLUMNS).where(_C.traffic == bindparam("traffic")).order_by(_C.state, _C.number))
_ENCODE, _DECODER = msgspec.json.encode, msgspec.json.Decoder(Agency)


class KeptAgency(Record, frozen=True, kw_only=True):
    """What one agency said last, by which feed, and since when it says so."""

    agency: Agency
    feed: str
    since: datetime


def put(tx: Tx, agency: Agency, *, feed: str, traffic: Traffic, at: datetime) -> bool:
    """Keep what an agency says in place of what it said before; False if that is the same."""
    tx.lock("demographics", agency.state, agency.number, traffic)
    content = _ENCODE(agency)
    digest = hashlib.sha256(content).digest()
    row = tx.find(_FIND, state=agency.state, number=agency.number, traffic=traffic)
    if row is not None and bytes(row[4]) == digest:
        return False
    tx.run(
        _PUT,
        state=agency.state,
        number=agency.number,
        traffic=traffic,
        feed=feed,
        content_hash=digest,
        since=to_micros(at),
        content=tx.keys.seal(content, place=_place(agency.state, agency.number, traffic)),
    )
    return True


def find(tx: Tx, *, state: str, number: str, traffic: Traffic) -> KeptAgency | None:
    """Find what an agency said last."""
    row = tx.find(_FIND, state=state, number=number, traffic=traffic)
    return None if row is None else _kept(tx, row)


def everything(tx: Tx, *, traffic: Traffic) -> list[KeptAgency]:
    """Give back what every agency said last, in the order of their numbers."""
    return [_kept(tx, row) for row in tx.rows(_ALL, traffic=traffic)]


def _kept(tx: Tx, row: Row) -> KeptAgency:
    state, number, traffic, feed, _, since, content = row
    agency = tx.keys.read(content, place=_place(state, number, traffic), decoder=_DECODER)
    return KeptAgency(agency=agency, feed=feed, since=from_micros(since))


def _place(state: str, number: str, traffic: str) -> str:
    return f"demographics:{state}:{number}:{traffic}"
