"""Care reports, the newest content of each and what it said before.

A report is known by its organisation, its key and its traffic. Its content is sealed; the columns beside it
are what a list or a search needs. Where its values stood takes four times the room of what they say, and is
kept apart: a report is read without its origins, which are there for whoever asks. Every change raises the
version by one, and the content it replaces moves to the history. Whether a newer report may replace an older
one is decided elsewhere.
"""

import hashlib
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import bindparam, func, insert, select, update

from gateway.errors import GatewayFault
from gateway.records import CareReport, Origin, Record, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import REPORT_VERSIONS, REPORTS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = REPORTS.c
_V = REPORT_VERSIONS.c
_COLUMNS = (_C.id, _C.version, _C.message, _C.content_hash, _C.event_time, _C.created, _C.updated, _C.content)
_INSERT = Statement(insert_into(REPORTS))
_FIND = Statement(
    select(*_COLUMNS).where(
        _C.organisation == bindparam("organisation"),
        _C.key == bindparam("key"),
        _C.traffic == bindparam("traffic"),
    )
)
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")))
_MOVED = ("version", "content_hash", "message", "partial", "event_time", "destination", "updated", "content", "origins")
_TO_HISTORY = Statement(
    insert(REPORT_VERSIONS).from_select(
        ["report", *_MOVED], select(_C.id, *(_C[name] for name in _MOVED)).where(_C.id == bindparam("id"))
    )
)
_REPLACE = Statement(
    update(REPORTS)
    .where(_C.id == bindparam("of"), _C.version == bindparam("of_version"))
    .values({name: bindparam(name) for name in _MOVED})
)
_ORIGINS = Statement(select(_C.origins).where(_C.id == bindparam("id"), _C.version == bindparam("version")))
_HISTORY = Statement(
    select(_V.version, _V.message, _V.content_hash, _V.event_time, _V.updated, _V.content)
    .where(_V.report == bindparam("id"))
    .order_by(_V.version)
)
_RECENT = Statement(
    select(_C.id, _C.organisation, _C.partial, _C.destination, _C.event_time, _C.version, _C.updated)
    .where(_C.traffic == bindparam("traffic"))
    .order_by(_C.updated.desc())
    .limit(bindparam("limit"))
)
_COUNTS = Statement(
    select(_C.organisation, func.count()).where(_C.traffic == bindparam("traffic")).group_by(_C.organisation)
)
_ENCODER = msgspec.json.Encoder()
_DECODER = msgspec.json.Decoder(CareReport)
_ORIGINS_DECODER = msgspec.json.Decoder(dict[str, Origin])


class StoredReport(Record, frozen=True, kw_only=True):
    """A care report as it is kept, without its origins; `message` is the id of the message that said so."""

    id: str
    report: CareReport
    version: int
    message: str
    content_hash: bytes
    event_time: datetime | None
    created: datetime
    updated: datetime


class ReportVersion(Record, frozen=True, kw_only=True):
    """What a report said until it was replaced, without its origins; `updated` is when it began to say so."""

    version: int
    report: CareReport
    message: str
    content_hash: bytes
    event_time: datetime | None
    updated: datetime


class ReportLine(Record, frozen=True, kw_only=True):
    """A report in a list: nothing that needs a key."""

    id: str
    organisation: str
    partial: bool
    destination: str | None
    event_time: datetime | None
    version: int
    updated: datetime


def lock(tx: Tx, *, organisation: str, key: str, traffic: Traffic) -> None:
    """Hold the right to change one report until the commit; take it before `find`."""
    tx.lock("report", organisation, key, traffic)


def find(tx: Tx, *, organisation: str, key: str, traffic: Traffic) -> StoredReport | None:
    """Find a report by what it is known by."""
    row = tx.find(_FIND, organisation=organisation, key=key, traffic=traffic)
    return None if row is None else _stored(tx, row)


def get(tx: Tx, report_id: str) -> StoredReport:
    """Give back one report. Raises `GatewayFault` when there is none."""
    row = tx.find(_GET, id=report_id)
    if row is None:
        raise GatewayFault(f"reports: no report {report_id}")
    return _stored(tx, row)


def get_whole(tx: Tx, stored: StoredReport) -> CareReport:
    """Give back what `stored` says with the origin of every value; without, if it is not the newest any more."""
    row = tx.find(_ORIGINS, id=stored.id, version=stored.version)
    if row is None or row[0] is None:
        return stored.report
    content = tx.keys.open(row[0], place=_origins_place(stored.id, stored.version))
    return msgspec.structs.replace(stored.report, origins=_ORIGINS_DECODER.decode(content))


def add(
    tx: Tx, report: CareReport, *, report_id: str, message: str, event_time: datetime | None, at: datetime
) -> StoredReport:
    """Keep a report that was not known before, as version 1. Raises `GatewayFault` when it was."""
    said, values = _said(tx, report, report_id, version=1, message=message, event_time=event_time, at=at)
    tx.run(
        _INSERT,
        id=report_id,
        organisation=report.organisation,
        key=report.key,
        traffic=report.traffic,
        created=values["updated"],
        **values,
    )
    return StoredReport(
        id=report_id,
        report=said,
        version=1,
        message=message,
        content_hash=values["content_hash"],
        event_time=event_time,
        created=at,
        updated=at,
    )


def replace(
    tx: Tx,
    stored: StoredReport,
    report: CareReport,
    *,
    message: str,
    event_time: datetime | None,
    at: datetime,
) -> StoredReport:
    """Put a newer content in place of `stored`, which goes to the history.

    Raises `GatewayFault` when `stored` is not the newest any more.
    """
    version = stored.version + 1
    said, values = _said(tx, report, stored.id, version=version, message=message, event_time=event_time, at=at)
    tx.run(_TO_HISTORY, id=stored.id)
    if tx.run(_REPLACE, of=stored.id, of_version=stored.version, **values) != 1:
        raise GatewayFault(f"reports: report {stored.id} has changed meanwhile")
    return msgspec.structs.replace(
        stored,
        report=said,
        version=version,
        message=message,
        content_hash=values["content_hash"],
        event_time=event_time,
        updated=at,
    )


def history(tx: Tx, report_id: str) -> list[ReportVersion]:
    """Give back what a report said before, the oldest first; the newest content is not among it."""
    return [
        ReportVersion(
            version=version,
            report=tx.keys.read(content, place=_place(report_id, version), decoder=_DECODER),
            message=message,
            content_hash=bytes(content_hash),
            event_time=from_micros(event_time),
            updated=from_micros(updated),
        )
        for version, message, content_hash, event_time, updated, content in tx.rows(_HISTORY, id=report_id)
    ]


def recent(tx: Tx, *, traffic: Traffic, limit: int = 50) -> list[ReportLine]:
    """Give back the reports that changed last, the newest first."""
    return [
        ReportLine(
            id=row[0],
            organisation=row[1],
            partial=bool(row[2]),
            destination=row[3],
            event_time=from_micros(row[4]),
            version=row[5],
            updated=from_micros(row[6]),
        )
        for row in tx.rows(_RECENT, traffic=traffic, limit=limit)
    ]


def count(tx: Tx, *, traffic: Traffic) -> dict[str, int]:
    """How many reports are kept of each organisation."""
    return {organisation: int(number) for organisation, number in tx.rows(_COUNTS, traffic=traffic)}


def _said(
    tx: Tx,
    report: CareReport,
    report_id: str,
    *,
    version: int,
    message: str,
    event_time: datetime | None,
    at: datetime,
) -> tuple[CareReport, dict[str, Any]]:
    """The report without its origins, and the columns that change with each version."""
    said = msgspec.structs.replace(report, origins={})
    content, origins = _ENCODER.encode(said), _ENCODER.encode(report.origins)
    return said, {
        "version": version,
        "content_hash": hashlib.sha256(content).digest(),
        "message": message,
        "partial": report.partial,
        "event_time": to_micros(event_time),
        "destination": report.destination,
        "updated": to_micros(at),
        "content": tx.keys.seal(content, place=_place(report_id, version)),
        "origins": tx.keys.seal(origins, place=_origins_place(report_id, version)),
    }


def _stored(tx: Tx, row: Row) -> StoredReport:
    report_id, version, message, content_hash, event_time, created, updated, content = row
    return StoredReport(
        id=report_id,
        report=tx.keys.read(content, place=_place(report_id, version), decoder=_DECODER),
        version=version,
        message=message,
        content_hash=bytes(content_hash),
        event_time=from_micros(event_time),
        created=from_micros(created),
        updated=from_micros(updated),
    )


def _place(report_id: str, version: int) -> str:
    return f"reports:{report_id}:{version}"


def _origins_place(report_id: str, version: int) -> str:
    return f"{_place(report_id, version)}:origins"
