"""Visits: one stay at one facility, as the newest admission message about it says.

A visit is known by its organisation, its key and its traffic. `event_time` is that of the newest message
that was applied; a message that is older by event time is told apart by it. What earlier messages said is
not kept twice: they lie in `gateway.store.messages`.
"""

from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import bindparam, func, select, update

from gateway.errors import GatewayFault
from gateway.records import Record, Traffic, Visit, VisitState
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import VISITS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = VISITS.c
_COLUMNS = (_C.id, _C.version, _C.message, _C.event_time, _C.created, _C.updated, _C.content)
_INSERT = Statement(insert_into(VISITS))
_FIND = Statement(
    select(*_COLUMNS).where(
        _C.organisation == bindparam("organisation"),
        _C.key == bindparam("key"),
        _C.traffic == bindparam("traffic"),
    )
)
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")))
_CHANGING = ("version", "state", "message", "started", "ended", "event_time", "updated", "content")
_REPLACE = Statement(
    update(VISITS)
    .where(_C.id == bindparam("of"), _C.version == bindparam("of_version"))
    .values({name: bindparam(name) for name in _CHANGING})
)
_RECENT = Statement(
    select(_C.id, _C.organisation, _C.state, _C.started, _C.ended, _C.version, _C.updated)
    .where(_C.traffic == bindparam("traffic"))
    .order_by(_C.updated.desc())
    .limit(bindparam("limit"))
)
_COUNTS = Statement(
    select(_C.organisation, _C.state, func.count())
    .where(_C.traffic == bindparam("traffic"))
    .group_by(_C.organisation, _C.state)
)
_ENCODER = msgspec.json.Encoder()
_DECODER = msgspec.json.Decoder(Visit)


class StoredVisit(Record, frozen=True, kw_only=True):
    """A visit as it is kept; `message` is the id of the message applied last."""

    id: str
    visit: Visit
    version: int
    message: str
    event_time: datetime | None
    created: datetime
    updated: datetime


class VisitLine(Record, frozen=True, kw_only=True):
    """A visit in a list: nothing that needs a key."""

    id: str
    organisation: str
    state: VisitState
    started: datetime | None
    ended: datetime | None
    version: int
    updated: datetime


def lock(tx: Tx, *, organisation: str, key: str, traffic: Traffic) -> None:
    """Hold the right to change one visit until the commit; take it before `find`."""
    tx.lock("visit", organisation, key, traffic)


def find(tx: Tx, *, organisation: str, key: str, traffic: Traffic) -> StoredVisit | None:
    """Find a visit by what it is known by."""
    row = tx.find(_FIND, organisation=organisation, key=key, traffic=traffic)
    return None if row is None else _stored(tx, row)


def get(tx: Tx, visit_id: str) -> StoredVisit:
    """Give back one visit. Raises `GatewayFault` when there is none."""
    row = tx.find(_GET, id=visit_id)
    if row is None:
        raise GatewayFault(f"visits: no visit {visit_id}")
    return _stored(tx, row)


def add(tx: Tx, visit: Visit, *, visit_id: str, message: str, event_time: datetime | None, at: datetime) -> StoredVisit:
    """Keep a visit that was not known before, as version 1. Raises `GatewayFault` when it was."""
    values = _values(tx, visit, _place(visit_id, 1), version=1, message=message, event_time=event_time, at=at)
    tx.run(
        _INSERT,
        id=visit_id,
        organisation=visit.organisation,
        key=visit.key,
        traffic=visit.admission.traffic,
        created=values["updated"],
        **values,
    )
    return StoredVisit(
        id=visit_id, visit=visit, version=1, message=message, event_time=event_time, created=at, updated=at
    )


def replace(
    tx: Tx, stored: StoredVisit, visit: Visit, *, message: str, event_time: datetime | None, at: datetime
) -> StoredVisit:
    """Put a newer content in place of `stored`. Raises `GatewayFault` when that is not the newest any more."""
    version = stored.version + 1
    values = _values(
        tx,
        visit,
        _place(stored.id, version),
        version=version,
        message=message,
        event_time=event_time,
        at=at,
    )
    if tx.run(_REPLACE, of=stored.id, of_version=stored.version, **values) != 1:
        raise GatewayFault(f"visits: visit {stored.id} has changed meanwhile")
    return msgspec.structs.replace(
        stored, visit=visit, version=version, message=message, event_time=event_time, updated=at
    )


def recent(tx: Tx, *, traffic: Traffic, limit: int = 50) -> list[VisitLine]:
    """Give back the visits that changed last, the newest first."""
    return [
        VisitLine(
            id=row[0],
            organisation=row[1],
            state=VisitState(row[2]),
            started=from_micros(row[3]),
            ended=from_micros(row[4]),
            version=row[5],
            updated=from_micros(row[6]),
        )
        for row in tx.rows(_RECENT, traffic=traffic, limit=limit)
    ]


def count(tx: Tx, *, traffic: Traffic) -> dict[tuple[str, VisitState], int]:
    """How many visits are kept of each organisation, by state."""
    found = tx.rows(_COUNTS, traffic=traffic)
    return {(organisation, VisitState(state)): int(number) for organisation, state, number in found}


def _values(
    tx: Tx,
    visit: Visit,
    place: str,
    *,
    version: int,
    message: str,
    event_time: datetime | None,
    at: datetime,
) -> dict[str, Any]:
    """The columns that change with each version."""
    return {
        "version": version,
        "state": visit.state,
        "message": message,
        "started": to_micros(visit.started),
        "ended": to_micros(visit.ended),
        "event_time": to_micros(event_time),
        "updated": to_micros(at),
        "content": tx.keys.seal(_ENCODER.encode(visit), place=place),
    }


def _stored(tx: Tx, row: Row) -> StoredVisit:
    visit_id, version, message, event_time, created, updated, content = row
    return StoredVisit(
        id=visit_id,
        visit=_DECODER.decode(tx.keys.open(content, place=_place(visit_id, version))),
        version=version,
        message=message,
        event_time=from_micros(event_time),
        created=from_micros(created),
        updated=from_micros(updated),
    )


def _place(visit_id: str, version: int) -> str:
    return f"visits:{visit_id}:{version}"
