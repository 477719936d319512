"""Where each band was seen: the way from a band to the records that carry it.

A record's sightings stand here once; what stood at the place word for word stays in the sealed record. The
canonical band is in clear, because finding it is what the gateway is for.
"""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import bindparam, delete, select

from gateway.records import How, Record, RecordKind, Sighting, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import SIGHTINGS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = SIGHTINGS.c
_COLUMNS = (
    _C.kind,
    _C.record,
    _C.organisation,
    _C.traffic,
    _C.event_time,
    _C.band,
    _C.how,
    _C.path,
    _C.line,
    _C.rule,
    _C.scheme,
    _C.training,
    _C.folded,
    _C.fault,
)
_INSERT = Statement(insert_into(SIGHTINGS))
_DELETE = Statement(delete(SIGHTINGS).where(_C.kind == bindparam("kind"), _C.record == bindparam("record")))
_OF_BAND = Statement(
    select(*_COLUMNS)
    .where(_C.band == bindparam("band"), _C.traffic == bindparam("traffic"), _C.band.is_not(None))
    .order_by(_C.event_time, _C.kind, _C.record, _C.number)
)
_OF_RECORD = Statement(
    select(*_COLUMNS).where(_C.kind == bindparam("kind"), _C.record == bindparam("record")).order_by(_C.number)
)


class Seen(Record, frozen=True, kw_only=True):
    """One sighting and the record it belongs to; the fields of `gateway.records.Sighting` but the raw text."""

    kind: RecordKind
    record: str
    organisation: str
    traffic: Traffic
    event_time: datetime | None
    band: str | None
    how: How
    path: str
    line: int | None
    rule: str
    scheme: str | None
    training: bool
    folded: bool
    fault: str | None


def add(
    tx: Tx,
    sightings: Sequence[Sighting],
    *,
    kind: RecordKind,
    record: str,
    organisation: str,
    traffic: Traffic,
    event_time: datetime | None,
) -> None:
    """Keep the sightings of a record that has none yet."""
    at = to_micros(event_time)
    for number, sighting in enumerate(sightings):
        tx.run(
            _INSERT,
            kind=kind,
            record=record,
            number=number,
            organisation=organisation,
            traffic=traffic,
            event_time=at,
            band=sighting.canonical,
            how=sighting.how,
            path=sighting.path,
            line=sighting.line,
            rule=sighting.rule,
            scheme=sighting.scheme,
            training=sighting.training,
            folded=sighting.folded,
            fault=sighting.fault,
        )


def replace(
    tx: Tx,
    sightings: Sequence[Sighting],
    *,
    kind: RecordKind,
    record: str,
    organisation: str,
    traffic: Traffic,
    event_time: datetime | None,
) -> None:
    """Put the sightings of a record's newest version in place of those before."""
    tx.run(_DELETE, kind=kind, record=record)
    add(
        tx,
        sightings,
        kind=kind,
        record=record,
        organisation=organisation,
        traffic=traffic,
        event_time=event_time,
    )


def of_band(tx: Tx, band: str, *, traffic: Traffic) -> list[Seen]:
    """Give back every place where a canonical band was seen, by event time."""
    return [_seen(row) for row in tx.rows(_OF_BAND, band=band, traffic=traffic)]


def of_record(tx: Tx, kind: RecordKind, record: str) -> list[Seen]:
    """Give back the sightings of one record, in the order in which they stand in it."""
    return [_seen(row) for row in tx.rows(_OF_RECORD, kind=kind, record=record)]


def _seen(row: Row) -> Seen:
    return Seen(
        kind=RecordKind(row[0]),
        record=row[1],
        organisation=row[2],
        traffic=Traffic(row[3]),
        event_time=from_micros(row[4]),
        band=row[5],
        how=How(row[6]),
        path=row[7],
        line=row[8],
        rule=row[9],
        scheme=row[10],
        training=bool(row[11]),
        folded=bool(row[12]),
        fault=row[13],
    )
