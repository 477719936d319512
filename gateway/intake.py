"""One message through the house, in one transaction; the only place that knows the whole path.

    bytes → read and mapped (outside the transaction) → one transaction: the message as it came, its record,
    the record's sightings, the link decision, the episode, events and deliveries, the audit row → the answer

What is atomic is what stands in one `_keep…` function. The answer is given only after the commit: what has
been kept is acknowledged and its faults go to the feed's work list, because a needless refusal halts a
hospital's feed; refused is only what could not be read or attributed, and even that is kept, in quarantine;
a fault of ours says "try again".
"""

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import partial
from typing import BinaryIO, NamedTuple

from lxml import etree
from msgspec.structs import replace

from gateway.adapters.acknowledgements import (
    TRY_LATER,
    Header,
    Outcome,
    Problem,
    acknowledge,
    answers,
    header_of,
    mode_of,
    problem_of,
    salvage_header,
)
from gateway.adapters.report_payload import Limits
from gateway.adapters.report_schema import validate
from gateway.errors import GatewayFault, SenderFault, UnreadableMessage
from gateway.joining import Joining, Kept
from gateway.linking.episodes import time_of_report, time_of_visit
from gateway.linking.visits import acts, fold, visit_key
from gateway.logs import log
from gateway.mapping.care_report_versions import combine, is_poorer
from gateway.reading import ReadAdmission, ReadReport, read_admission, read_reports
from gateway.records import Admission, CareReport, Finding, Level, RecordKind, Traffic
from gateway.region import Feed, Region
from gateway.store import audit, messages, quarantine, reports, sightings, visits, worklist
from gateway.store.database import Database
from gateway.store.messages import Message, MessageKind
from gateway.store.messages import Outcome as Became
from gateway.store.transaction import Tx

TOGETHER = 100  # reports of one large file that share a transaction: memory stays bounded, a file is many commits


class ReportOutcome(StrEnum):
    """What became of one care report."""

    KEPT = "kept"
    UPDATED = "updated"
    UNCHANGED = "unchanged"  #: said nothing new: nothing was changed


class KeptReport(NamedTuple):
    """One care report of a payload after the commit; `name` is its UUID or number."""

    name: str
    outcome: ReportOutcome
    findings: tuple[Finding, ...]


class _Extent(NamedTuple):
    """What a payload holds: how many reports, and test traffic if all of them are."""

    reports: int
    traffic: Traffic


class InvalidReport(UnreadableMessage):
    """Readable XML that the schema refuses; `findings` say where."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        first = findings[0]
        super().__init__(
            first.message, code=first.code, path=first.path, line=first.line, remedy=first.remedy, hl7_code="102"
        )
        self.findings = tuple(findings)


@dataclass(frozen=True, slots=True)
class Intake:
    """Takes messages for one region into one database.

    `clock` gives the time now, `new_id` a fresh id; `schema`, where the operator has registered the official
    files, is what care reports must be valid by; `kept` is called after each commit that may have queued
    deliveries.
    """

    region: Region
    database: Database
    clock: Callable[[], datetime]
    new_id: Callable[[], str]
    schema: etree.XMLSchema | None = None
    kept: Callable[[], None] = lambda: None

    # ── admission messages ─────────────────────────────────────────────────────────────────────

    async def admission(self, data: bytes, *, door: str, feed: Feed | None = None) -> bytes:
        """Take one admission message and give back its acknowledgement; empty when the sender wants none."""
        try:
            return await self._take_admission(data, door, feed)
        except SenderFault as fault:
            return await self.refuse(data, fault, door=door, feed=feed)
        except Exception as error:  # noqa: BLE001  whatever we did wrong, a sender left unanswered stands still
            return self._not_now(salvage_header(data), error)

    async def _take_admission(self, data: bytes, door: str, feed: Feed | None) -> bytes:
        received = self.clock()
        read = read_admission(self.region, data, feed=feed)
        try:
            became, outcome = await self.database.awrite(
                lambda tx: self._keep_admission(tx, read, data, door, received)
            )
        except GatewayFault as fault:
            return self._not_now(header_of(read.message), fault)
        self.kept()
        findings = [each for record in read.admissions for each in record.findings]
        self._log(read.feed.name, door, became, received, findings)
        return self._answer(header_of(read.message), outcome, _problem(findings) if outcome is Outcome.ERROR else None)

    async def refuse(self, data: bytes, fault: SenderFault, *, door: str, feed: Feed | None = None) -> bytes:
        """Keep an unreadable or unattributable admission message in quarantine and give back the refusal."""
        header = salvage_header(data)
        try:
            await self._quarantine(data, fault, door=door, feed=feed, kind=MessageKind.ADMISSION, answer="AR")
        except GatewayFault as failure:
            return self._not_now(header, failure)
        return self._answer(header, Outcome.REJECTED, problem_of(fault))

    def _keep_admission(
        self, tx: Tx, read: ReadAdmission, data: bytes, door: str, received: datetime
    ) -> tuple[Became, Outcome]:
        """The whole effect of one admission message, or of none if it came before."""
        control_id, digest = read.event.control_id, messages.fingerprint(data)
        traffic = _traffic(read.admissions)
        same = messages.find_same(tx, feed=read.feed.name, control_id=control_id, content_hash=digest, traffic=traffic)
        findings = tuple(each for record in read.admissions for each in record.findings)
        faulty = self.region.settings.keep_faults == "report" and _problem(findings) is not None
        answer = same.answer if same else ("AE" if faulty else "AA")
        message = Message(
            id=self.new_id(),
            feed=read.feed.name,
            door=door,
            received=received,
            kind=MessageKind.ADMISSION,
            control_id=control_id,
            content_hash=digest,
            outcome=Became.DUPLICATE if same else Became.KEPT,
            answer=answer,
            traffic=traffic,
            size=len(data),
        )
        messages.add(tx, message, None if same else data)
        if same is None:
            for record in read.admissions:
                self._keep_visit(tx, record, message)
            worklist.add(tx, findings, feed=read.feed.name, message=message.id, at=received, traffic=message.traffic)
        return message.outcome, Outcome.ERROR if answer == "AE" else Outcome.TAKEN

    def _keep_visit(self, tx: Tx, admission: Admission, message: Message) -> None:
        """Fold one record into its visit and join it; a trigger that does not act yet is only kept and shown."""
        key = visit_key(admission) if acts(admission.trigger) else None
        if key is None:
            what = "message-kept"
            audit.append(tx, audit.Entry(at=message.received, who=message.feed or "", what=what, records=(message.id,)))
            return
        where = {"organisation": admission.organisation, "key": key, "traffic": admission.traffic}
        visits.lock(tx, **where)  # type: ignore[arg-type]
        old = visits.find(tx, **where)  # type: ignore[arg-type]
        visit = fold(old.visit if old else None, admission, key=key)
        at = time_of_visit(visit, message.received)
        if old is not None and old.visit == visit:
            return
        if old is None:
            stored = visits.add(
                tx, visit, visit_id=self.new_id(), message=message.id, event_time=at, at=message.received
            )
        else:
            stored = visits.replace(tx, old, visit, message=message.id, event_time=at, at=message.received)
        seen = visit.admission.sightings
        put = sightings.add if old is None else sightings.replace
        if old is None or (old.visit.admission.sightings, old.event_time) != (seen, at):
            put(
                tx,
                seen,
                kind=RecordKind.VISIT,
                record=stored.id,
                organisation=visit.organisation,
                traffic=admission.traffic,
                event_time=at,
            )
        self._audit(tx, message, stored.id, "visit-kept")
        kept = Kept(stored, seen, admission.findings, at, admission.traffic, old)
        self._joining.join(tx, kept, now=message.received)

    # ── care reports ───────────────────────────────────────────────────────────────────────────

    async def care_reports(self, source: BinaryIO, feed: Feed, *, door: str) -> list[KeptReport]:
        """Take a payload of care reports and give back what became of each.

        The whole payload is read before anything of it is kept: a faulty one changes nothing stored. Raises
        `SenderFault` for one that was refused (and is now in quarantine), `GatewayFault` when not all of it
        could be kept: sent again, it is completed.
        """
        received = self.clock()
        try:
            extent = await asyncio.to_thread(self._read_through, source, feed)
        except SenderFault as fault:
            source.seek(0)
            data = source.read(self.region.settings.care_report_bytes)
            await self._quarantine(data, fault, door=door, feed=feed, kind=MessageKind.CARE_REPORT, answer="422")
            raise
        source.seek(0)
        message = await asyncio.to_thread(self._message_of, source, feed, door, received, extent.traffic)
        source.seek(0)
        return await asyncio.to_thread(self._keep_payload, source, feed, message, extent.reports)

    def _read_through(self, source: BinaryIO, feed: Feed) -> _Extent:
        if self.schema is not None:
            found = validate(source.read(), self.schema)
            if found:
                raise InvalidReport(found)
            source.seek(0)
        kinds = Counter(read.report.traffic for read in self._reports(source, feed))
        return _Extent(kinds.total(), Traffic.LIVE if kinds[Traffic.LIVE] else Traffic.TEST)

    def _reports(self, source: BinaryIO, feed: Feed) -> Iterable[ReadReport]:
        limits = Limits(size=self.region.settings.care_report_bytes)
        return read_reports(self.region, source, feed=feed, limits=limits)

    def _message_of(
        self, source: BinaryIO, feed: Feed, door: str, received: datetime, traffic: Traffic
    ) -> tuple[Message, bytes]:
        data = source.read()
        message = Message(
            id=self.new_id(),
            feed=feed.name,
            door=door,
            received=received,
            kind=MessageKind.CARE_REPORT,
            control_id="",
            content_hash=messages.fingerprint(data),
            outcome=Became.KEPT,
            answer="200",
            traffic=traffic,
            size=len(data),
        )
        return message, data

    def _keep_payload(self, source: BinaryIO, feed: Feed, sent: tuple[Message, bytes], count: int) -> list[KeptReport]:
        """Keep a payload's reports, a hundred to a transaction; the first one also keeps the payload itself."""
        message, data = sent
        result: list[KeptReport] = []
        batch: list[CareReport] = []
        for number, read in enumerate(self._reports(source, feed), 1):
            batch.append(read.report)
            if len(batch) == TOGETHER or number == count:
                keep = partial(self._keep_reports, batch=tuple(batch), message=message, data=None if result else data)
                message, kept = self.database.write(keep)
                result += kept
                batch.clear()
        self.kept()
        self._log(feed.name, message.door, message.outcome, message.received, [f for r in result for f in r.findings])
        return result

    def _keep_reports(
        self, tx: Tx, batch: Sequence[CareReport], message: Message, data: bytes | None
    ) -> tuple[Message, list[KeptReport]]:
        """Keep some reports of a payload, and give back the message they stand in: that of a payload sent before.

        A payload that came before is gone through all the same: its first coming may have stopped in the middle.
        """
        if data is not None:
            same = messages.find_same(
                tx,
                feed=message.feed or "",
                control_id="",
                content_hash=message.content_hash,
                traffic=message.traffic,
            )
            if same is None:
                messages.add(tx, message, data)
            else:
                messages.add(tx, replace(message, outcome=Became.DUPLICATE, answer=same.answer), None)
                message = replace(message, id=same.id, outcome=Became.DUPLICATE)
        return message, [self._keep_report(tx, report, message) for report in batch]

    def _keep_report(self, tx: Tx, report: CareReport, message: Message) -> KeptReport:
        """The whole effect of one care report."""
        where = {"organisation": report.organisation, "key": report.key, "traffic": report.traffic}
        reports.lock(tx, **where)  # type: ignore[arg-type]
        old = reports.find(tx, **where)  # type: ignore[arg-type]
        newest = _newest(reports.get_whole(tx, old) if old else None, report)
        name = report.uuid or report.number
        unchanged = old is not None and _said(old.report) == _said(newest)
        if not (unchanged and message.outcome is Became.DUPLICATE):
            worklist.add(
                tx,
                report.findings,
                feed=message.feed or "",
                message=message.id,
                at=message.received,
                traffic=report.traffic,
            )
        if unchanged:
            return KeptReport(name, ReportOutcome.UNCHANGED, report.findings)
        at, now = time_of_report(newest, message.received), message.received
        if old is None:
            stored = reports.add(tx, newest, report_id=self.new_id(), message=message.id, event_time=at, at=now)
        else:
            stored = reports.replace(tx, old, newest, message=message.id, event_time=at, at=now)
        put = sightings.add if old is None else sightings.replace
        put(
            tx,
            newest.sightings,
            kind=RecordKind.CARE_REPORT,
            record=stored.id,
            organisation=newest.organisation,
            traffic=newest.traffic,
            event_time=at,
        )
        self._audit(tx, message, stored.id, "report-kept")
        if newest.patient_contact:
            self._joining.join(tx, Kept(stored, newest.sightings, newest.findings, at, newest.traffic, old), now=now)
        return KeptReport(name, ReportOutcome.UPDATED if old else ReportOutcome.KEPT, report.findings)

    # ── what both need ─────────────────────────────────────────────────────────────────────────

    @property
    def _joining(self) -> Joining:
        return Joining(self.region, self.new_id)

    def _audit(self, tx: Tx, message: Message, record: str, what: str) -> None:
        audit.append(
            tx, audit.Entry(at=message.received, who=message.feed or "", what=what, records=(record, message.id))
        )

    async def _quarantine(
        self, data: bytes, fault: SenderFault, *, door: str, feed: Feed | None, kind: MessageKind, answer: str
    ) -> None:
        message = Message(
            id=self.new_id(),
            feed=feed.name if feed else None,
            door=door,
            received=self.clock(),
            kind=kind,
            control_id=salvage_header(data).control_id if kind is MessageKind.ADMISSION else "",
            content_hash=messages.fingerprint(data),
            outcome=Became.QUARANTINED,
            answer=answer,
            traffic=Traffic.TEST if feed and feed.source.trial else Traffic.LIVE,
            size=len(data),
        )
        why = quarantine.Quarantined(
            message=message.id,
            code=fault.code,
            says=fault.message,
            remedy=fault.remedy,
            path=fault.path,
            line=fault.line,
            at=message.received,
        )

        def keep(tx: Tx) -> None:
            messages.add(tx, message, data)
            quarantine.add(tx, why)

        await self.database.awrite(keep)
        log("message_refused", level="warning", feed=message.feed, door=door, code=fault.code)

    def _not_now(self, header: Header, error: Exception) -> bytes:
        """The answer to a message that a fault of ours kept us from taking; the log gets the kind of fault alone."""
        kind = type(error.__cause__ or error).__name__
        if isinstance(error, GatewayFault):
            log("store_failed", level="error", error=kind)
        else:
            log("request_failed", level="error", error=kind)
        return self._answer(header, Outcome.LATER, TRY_LATER)

    def _answer(self, header: Header, outcome: Outcome, problem: Problem | None) -> bytes:
        code = answers(mode_of(header), outcome).now
        if code is None:
            return b""
        return acknowledge(
            header,
            code,
            control_id=self.new_id(),
            time=self.clock(),
            sending=("GATEWAY", self.region.name),
            problem=problem,
        )

    def _log(self, feed: str, door: str, became: Became, received: datetime, findings: Sequence[Finding]) -> None:
        took = round((self.clock() - received).total_seconds() * 1000, 1)
        log("message_kept", feed=feed, door=door, outcome=became.value, findings=len(findings), milliseconds=took)


def _newest(old: CareReport | None, report: CareReport) -> CareReport:
    """What is known of a report now; of one that stands twice in a payload the poorer copy says nothing."""
    if old is None:
        return report
    again = any(each.code == "report-twice" for each in report.findings)
    return old if again and is_poorer(report, old) else combine(old, report)


def _said(report: CareReport) -> CareReport:
    """The report without the places where things stand: the same in another file says nothing new."""
    seen = tuple(replace(each, path="", line=None) for each in report.sightings)
    return replace(report, sightings=seen, origins={}, findings=())


def _problem(findings: Iterable[Finding]) -> Problem | None:
    """The first error among findings, as an acknowledgement states it; None when there is none."""
    first = next((each for each in findings if each.level is Level.ERROR), None)
    return Problem("207", f"{first.message}: {first.remedy}", first.path) if first else None


def _traffic(admissions: Sequence[Admission]) -> Traffic:
    return admissions[0].traffic if admissions else Traffic.LIVE
