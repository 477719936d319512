"""One payload of care reports through the house: read through, kept in a few transactions, or refused as a whole.

    payload → every report read and mapped → the payload and its first hundred reports kept → the next hundred → …

* The whole payload is read before anything of it is kept: a faulty one changes nothing stored, and lies in quarantine.
* Memory is bounded, however large the payload: reports too many to be held are read once more to be kept, and the
  bytes of a large payload are kept in pieces.
* A payload sent again is gone through all the same: its first coming may have stopped in the middle.
"""

import asyncio
import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import islice
from typing import BinaryIO, NamedTuple

from lxml import etree

from gateway.adapters.report_payload import Limits
from gateway.adapters.report_schema import validate
from gateway.errors import SenderFault, UnknownSender, UnreadableMessage
from gateway.findings import FINDINGS
from gateway.keeping import Keeping, KeptReport, log_kept
from gateway.logs import log
from gateway.reading import read_reports
from gateway.records import CareReport, Finding, Traffic
from gateway.region import Feed, Region
from gateway.store import pieces
from gateway.store.database import Database
from gateway.store.messages import Message, MessageKind, Outcome
from gateway.store.pieces import PIECE
from gateway.store.quarantine import Quarantined

TOGETHER = 100  # reports of one large file that share a transaction: memory stays bounded, a file is many commits


class InvalidReport(UnreadableMessage):
    """Readable XML that the schema refuses; `findings` say where."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        first = findings[0]
        super().__init__(
            first.message, code=first.code, path=first.path, line=first.line, remedy=first.remedy, hl7_code="102"
        )
        self.findings = tuple(findings)


class Terms(NamedTuple):
    """Under what terms a payload is taken.

    `message` is the id it is kept under, a fresh one if None; a large payload may lie there in pieces already.
    `left_out` are UUIDs of reports that shall not be kept. `taken` is the answer that is noted with what was kept,
    `refused` gives the one for what was not.
    """

    door: str
    message: str | None = None
    is_checked: bool = False  #: it has been held against the official schema
    is_own_only: bool = False  #: a report of an agency that is not the feed's refuses the whole
    left_out: frozenset[str] = frozenset()
    taken: str = "200"
    refused: Callable[[SenderFault], str] = lambda _: "422"


class _Payload(NamedTuple):
    """A payload, whose it is, and when it came."""

    source: BinaryIO
    feed: Feed
    terms: Terms
    received: datetime


class _Read(NamedTuple):
    """What a payload that was read through holds; `few` are its reports, None where they are too many to be held."""

    traffic: Traffic
    few: tuple[CareReport, ...] | None


@dataclass(frozen=True, slots=True)
class ReportIntake:
    """Takes payloads of care reports for one region.

    `schema`, where the operator has registered the official files, is what they must be valid by, unless the terms
    say that this has been looked at.
    """

    region: Region
    keeping: Keeping
    clock: Callable[[], datetime]
    schema: etree.XMLSchema | None = None

    async def take(self, source: BinaryIO, feed: Feed, terms: Terms) -> list[KeptReport]:
        """Take a payload and give back what became of each report.

        Raises `SenderFault` for one that was refused (and is now in quarantine), `GatewayFault` when not all of it
        could be kept: sent again, it is completed.
        """
        payload = _Payload(source, feed, terms, self.clock())
        try:
            read = await asyncio.to_thread(self._read_through, payload)
        except SenderFault as fault:
            await self.refuse(source, feed, terms, fault)
            raise
        return await asyncio.to_thread(self._keep, payload, read)

    async def refuse(self, source: BinaryIO, feed: Feed, terms: Terms, fault: SenderFault) -> None:
        """Put a payload into quarantine; returns after the commit."""
        await asyncio.to_thread(self._refuse, _Payload(source, feed, terms, self.clock()), fault)
        log("message_refused", level="warning", feed=feed.name, door=terms.door, code=fault.code)

    # ── reading ────────────────────────────────────────────────────────────────────────────────

    def _read_through(self, payload: _Payload) -> _Read:
        if self.schema is not None and not payload.terms.is_checked:
            found = validate(payload.source, self.schema, limits=self._limits())
            if found:
                raise InvalidReport(found)
        kinds: Counter[Traffic] = Counter()
        first: list[CareReport] = []
        for report in self._reports(payload):
            if payload.terms.is_own_only:
                _refuse_foreign(report)
            kinds[report.traffic] += 1
            if kinds.total() <= TOGETHER:
                first.append(report)
        few = tuple(first) if kinds.total() <= TOGETHER else None
        return _Read(Traffic.LIVE if kinds[Traffic.LIVE] else Traffic.TEST, few)

    def _reports(self, payload: _Payload) -> Iterator[CareReport]:
        payload.source.seek(0)
        for read in read_reports(self.region, payload.source, feed=payload.feed, limits=self._limits()):
            if read.report.uuid is None or read.report.uuid.lower() not in payload.terms.left_out:
                yield read.report

    def _limits(self) -> Limits:
        return Limits(size=self.region.settings.care_report_bytes)

    # ── keeping ────────────────────────────────────────────────────────────────────────────────

    def _keep(self, payload: _Payload, read: _Read) -> list[KeptReport]:
        """Keep a payload's reports, a hundred to a transaction; the first one also keeps the payload itself."""
        message, data = self._message(payload, read.traffic, Outcome.KEPT, payload.terms.taken)
        result: list[KeptReport] = []
        every = iter(read.few) if read.few is not None else self._reports(payload)
        while batch := tuple(islice(every, TOGETHER)):
            keep = partial(self.keeping.keep_reports, batch=batch, message=message, data=data, is_first=not result)
            message, kept = self.keeping.database.write(keep)
            result += kept
            data = None
        self.keeping.kept()
        findings = [each for report in result for each in report.findings]
        log_kept(payload.feed.name, message.door, message.outcome, findings, took=self.clock() - payload.received)
        return result

    def _refuse(self, payload: _Payload, fault: SenderFault) -> None:
        traffic = Traffic.TEST if payload.feed.source.trial else Traffic.LIVE
        message, data = self._message(payload, traffic, Outcome.QUARANTINED, payload.terms.refused(fault))
        why = Quarantined(
            message=message.id,
            code=fault.code,
            says=fault.message,
            remedy=fault.remedy,
            path=fault.path,
            line=fault.line,
            at=payload.received,
        )
        self.keeping.database.write(lambda tx: self.keeping.keep_refused_payload(tx, message, why, data))

    def _message(
        self, payload: _Payload, traffic: Traffic, outcome: Outcome, answer: str
    ) -> tuple[Message, bytes | None]:
        """The message that a payload is, and its bytes; None for a large one, which lies in pieces then."""
        terms = payload.terms
        message_id = terms.message or self.keeping.new_id()
        data = self._whole_or_pieces(payload.source, message_id)
        size, digest = measure(payload.source)
        message = Message(
            id=message_id,
            feed=payload.feed.name,
            door=terms.door,
            received=payload.received,
            kind=MessageKind.CARE_REPORT,
            control_id="",
            content_hash=digest,
            outcome=outcome,
            answer=answer,
            traffic=traffic,
            size=size,
        )
        return message, data

    def _whole_or_pieces(self, source: BinaryIO, message_id: str) -> bytes | None:
        source.seek(0)
        data = source.read(PIECE + 1)
        if len(data) <= PIECE:
            return data
        if self.keeping.database.read(lambda tx: pieces.find(tx, message_id, 0)) is None:
            put_pieces(self.keeping.database, source, message_id)
        return None


def put_pieces(database: Database, source: BinaryIO, message_id: str) -> None:
    """Keep the bytes of a payload in pieces, each in a transaction of its own, so that nobody else waits for long."""
    source.seek(0)
    for number, piece in enumerate(_pieces(source)):
        database.write(partial(pieces.add, message=message_id, number=number, raw=piece))


def measure(source: BinaryIO) -> tuple[int, bytes]:
    """Give back the size of a payload and the hash by which it is known again (`messages.fingerprint`)."""
    source.seek(0)
    size, digest = 0, hashlib.sha256()
    for piece in _pieces(source):
        size += len(piece)
        digest.update(piece)
    return size, digest.digest()


def _pieces(source: BinaryIO) -> Iterator[bytes]:
    return iter(partial(source.read, PIECE), b"")


def _refuse_foreign(report: CareReport) -> None:
    """Refuse a payload for the agency of one of its reports, which the mapping has found not to be the feed's."""
    found = next((each for each in report.findings if each.code == "report-agency-unknown"), None)
    if found is not None:
        entry = FINDINGS["report-agency-unknown"]
        raise UnknownSender(entry.message, code=found.code, path=found.path, line=found.line, remedy=entry.remedy)
