"""What is kept of a message, in one transaction: the one place that says what is atomic.

    the message as it came, its record, the record's sightings, the link decision, the episode, events and
    deliveries, the audit row - or nothing of all this

What is atomic is what stands in one `_keep…` function. Whoever has read a message hands it over here and may
answer its sender once this returns: that is after the commit. Reading needs none of this, so it may be done in
another process; what is handed over is plain data.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple, Protocol

import msgspec
from msgspec.structs import replace

from gateway.joining import Joining, Kept
from gateway.linking.episodes import time_of_report, time_of_visit
from gateway.linking.visits import acts, fold, visit_key
from gateway.logs import log
from gateway.mapping.care_report_versions import combine, is_poorer
from gateway.records import Admission, CareReport, Finding, Level, RecordKind, Traffic
from gateway.region import Region
from gateway.store import audit, events, messages, pieces, quarantine, reports, sightings, strangers, visits, worklist
from gateway.store.database import Database
from gateway.store.messages import Message, MessageKind
from gateway.store.messages import Outcome as Became
from gateway.store.quarantine import Quarantined
from gateway.store.strangers import Knock
from gateway.store.transaction import Tx


class ReportOutcome(StrEnum):
    """What became of one care report."""

    KEPT = "kept"
    UPDATED = "updated"
    UNCHANGED = "unchanged"  #: said nothing new: nothing was changed


class KeptReport(NamedTuple):
    """One care report of a payload after the commit; `name` is its UUID or number.

    `is_cut_down` tells that only the national elements came, where more is known of the report.
    """

    name: str
    outcome: ReportOutcome
    findings: tuple[Finding, ...]
    is_cut_down: bool = False


class ReadMessage(msgspec.Struct, frozen=True, kw_only=True):
    """One admission message that has been read: as it came, and a record for each of its patients."""

    feed: str
    door: str
    received: datetime
    control_id: str
    admissions: tuple[Admission, ...]
    data: bytes


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """A message that could not be read or attributed, and why: for the quarantine. `knock` says whose it was."""

    feed: str | None
    door: str
    received: datetime
    kind: MessageKind
    control_id: str
    traffic: Traffic
    answer: str
    code: str
    says: str
    remedy: str
    path: str
    line: int | None
    data: bytes
    knock: Knock | None = None


class Settled(msgspec.Struct, frozen=True):
    """What became of an admission message, and the answer it gets: AA, or AE where faults are to be reported."""

    became: Became
    answer: str


class Keeper(Protocol):
    """Whoever keeps admission messages: this process, or another one that this one hands them to."""

    async def keep(self, message: ReadMessage) -> Settled:
        """Keep a message; returns after the commit. Raises `GatewayFault` when nothing of it was kept."""

    async def refuse(self, refused: Refused) -> None:
        """Put a message into quarantine. Raises `GatewayFault` when it could not be kept there."""


class Standing:
    """How many senders stand still, each until its message is kept: counted and asked on one event loop."""

    def __init__(self) -> None:
        self.number = 0

    def __enter__(self) -> None:
        self.number += 1

    def __exit__(self, *_: object) -> None:
        self.number -= 1


@dataclass(frozen=True, slots=True)
class Keeping:
    """Keeps the messages of one region in one database.

    `new_id` gives a fresh id; `kept` is called after each commit that may have queued deliveries; `standing` counts
    the senders of admission messages that wait for theirs.
    """

    region: Region
    database: Database
    new_id: Callable[[], str]
    kept: Callable[[], None] = lambda: None
    standing: Standing = field(default_factory=Standing)

    # ── admission messages ─────────────────────────────────────────────────────────────────────

    async def keep(self, message: ReadMessage) -> Settled:
        """Keep an admission message with its whole effect; returns after the commit."""
        with self.standing:
            settled, is_telling = await self.database.awrite(
                lambda tx: (self._keep_admission(tx, message), events.is_telling(tx))
            )
        if is_telling:
            self.kept()
        return settled

    def _keep_admission(self, tx: Tx, read: ReadMessage) -> Settled:
        """The whole effect of one admission message, or of none if it came before."""
        digest, traffic = messages.fingerprint(read.data), traffic_of(read.admissions)
        same = messages.find_same(
            tx,
            feed=read.feed,
            control_id=read.control_id,
            content_hash=digest,
            traffic=traffic,
            since=read.received - timedelta(days=self.region.settings.duplicate_days),
        )
        findings = tuple(each for record in read.admissions for each in record.findings)
        faulty = self.region.settings.keep_faults == "report" and first_error(findings) is not None
        answer = same.answer if same else ("AE" if faulty else "AA")
        message = Message(
            id=self.new_id(),
            feed=read.feed,
            door=read.door,
            received=read.received,
            kind=MessageKind.ADMISSION,
            control_id=read.control_id,
            content_hash=digest,
            outcome=Became.DUPLICATE if same else Became.KEPT,
            answer=answer,
            traffic=traffic,
            size=len(read.data),
        )
        messages.add(tx, message, None if same else read.data)
        if same is None:
            for record in read.admissions:
                self._keep_visit(tx, record, message)
            worklist.add(tx, findings, feed=read.feed, message=message.id, at=read.received, traffic=traffic)
        return Settled(message.outcome, answer)

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

    def keep_reports(
        self, tx: Tx, *, batch: Sequence[CareReport], message: Message, data: bytes | None, is_first: bool
    ) -> tuple[Message, list[KeptReport]]:
        """Keep some reports of a payload, and give back the message they stand in: that of a payload sent before.

        With the first ones the payload itself is kept; `data` is None for one that lies in pieces.

        A payload that came before is gone through all the same: its first coming may have stopped in the middle.
        """
        if is_first:
            same = messages.find_same(
                tx,
                feed=message.feed or "",
                control_id="",
                content_hash=message.content_hash,
                traffic=message.traffic,
            )
            if same is None:
                _add_once(tx, message, data)
            elif same.id == message.id:
                message = replace(message, outcome=Became.DUPLICATE)
            else:
                messages.add(tx, replace(message, outcome=Became.DUPLICATE, answer=same.answer), None)
                pieces.drop(tx, message.id)
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
            is_cut_down = report.partial and not newest.partial
            return KeptReport(name, ReportOutcome.UNCHANGED, report.findings, is_cut_down)
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

    # ── what cannot be read ────────────────────────────────────────────────────────────────────

    async def refuse(self, refused: Refused) -> None:
        """Put a message into quarantine; returns after the commit."""
        await self.database.awrite(lambda tx: self._keep_refused(tx, refused))

    def _keep_refused(self, tx: Tx, refused: Refused) -> None:
        """Note who knocked; a stranger's messages are kept up to a number, or anybody could fill the disk."""
        if refused.knock is not None:
            knocks = strangers.note(tx, refused.knock, at=refused.received)
            if knocks > self.region.settings.stranger_messages:
                return
        message = Message(
            id=self.new_id(),
            feed=refused.feed,
            door=refused.door,
            received=refused.received,
            kind=refused.kind,
            control_id=refused.control_id,
            content_hash=messages.fingerprint(refused.data),
            outcome=Became.QUARANTINED,
            answer=refused.answer,
            traffic=refused.traffic,
            size=len(refused.data),
        )
        why = quarantine.Quarantined(
            message=message.id,
            code=refused.code,
            says=refused.says,
            remedy=refused.remedy,
            path=refused.path,
            line=refused.line,
            at=refused.received,
        )
        messages.add(tx, message, refused.data)
        quarantine.add(tx, why)

    def keep_refused_payload(self, tx: Tx, message: Message, why: Quarantined, data: bytes | None) -> None:
        """Put a payload of care reports into quarantine; `data` is None for one that lies in pieces."""
        if _add_once(tx, message, data):
            quarantine.add(tx, why)

    # ── what all need ──────────────────────────────────────────────────────────────────────────

    @property
    def _joining(self) -> Joining:
        return Joining(self.region, self.new_id)

    def _audit(self, tx: Tx, message: Message, record: str, what: str) -> None:
        audit.append(
            tx, audit.Entry(at=message.received, who=message.feed or "", what=what, records=(record, message.id))
        )


def _add_once(tx: Tx, message: Message, data: bytes | None) -> bool:
    """Add a message unless it is there; whoever was killed at its work comes back to it under the same id."""
    if messages.find(tx, message.id) is not None:
        return False
    messages.add(tx, message, data)
    return True


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


def first_error(findings: Iterable[Finding]) -> Finding | None:
    """Give back the first error among findings, or None."""
    return next((each for each in findings if each.level is Level.ERROR), None)


def traffic_of(admissions: Sequence[Admission]) -> Traffic:
    """Give back whether a message is live or test traffic, by its records."""
    return admissions[0].traffic if admissions else Traffic.LIVE


def log_kept(feed: str, door: str, became: Became, findings: Sequence[Finding], *, took: timedelta) -> None:
    """Log that a message is kept, with no word of what it says."""
    milliseconds = round(took.total_seconds() * 1000, 1)
    log("message_kept", feed=feed, door=door, outcome=became.value, findings=len(findings), milliseconds=milliseconds)
