"""What a submission to the report web service comes to: held against the official checks, then kept or refused.

    payload → -12 invalid · -13, -14 a rule is broken · -3 not the sender's own agency · -11 there already
            → kept: 1, 3 with warnings, 6 without the records that have an ERROR

* What is refused changes nothing stored, and lies in quarantine.
* The same payload again is taken again without effect, and the answer says so: the standard does not define "the same
  file", and its compliance test sends valid cases twice (NEMSIS receive-and-process guide). -11 only if so set.
* What mapping finds is no ETL rule of the standard: it is reported beside the code, and changes none.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import BinaryIO, Literal, NamedTuple, Protocol

from gateway.adapters.report_checks import DEMOGRAPHICS, Checked, Role
from gateway.adapters.report_service import FULLER_STAYS, NOTHING_NEW, SAME_FILE, ReportLine, Status, SubmitReport
from gateway.demographics import keep_demographics
from gateway.errors import SenderFault, TooLarge, UnknownSender, UnreadableMessage
from gateway.findings import FINDINGS
from gateway.keeping import KeptReport, ReportOutcome, first_error
from gateway.records import Traffic
from gateway.region import Feed
from gateway.report_intake import ReportIntake, Terms, measure
from gateway.settings import Settings
from gateway.store import messages
from gateway.store.database import Database

DOOR = "report-service"
RULES_OF = {Role.FATAL: Status.FATAL_RULE, Role.ERROR: Status.ERROR_RULE}
IMPORTED = {Role.ERROR: Status.IMPORTED_WITH_ERRORS, Role.WARNING: Status.IMPORTED_WITH_WARNINGS}
NO_RECORD = frozenset({"report-no-number"})  # of which the schema knows nothing


class Submitted(NamedTuple):
    """What a client has handed over, beside the payload."""

    handle: str
    feed: Feed
    data_schema: int
    schema_version: str
    received: datetime


class Verdict(NamedTuple):
    """The code of the answer, and what it reports; None for a code that goes without."""

    code: Status
    report: SubmitReport | None = None


class Check(Protocol):
    """The official checks; see `gateway.checking.Checks.check`."""

    def __call__(self, source: BinaryIO, schema: int, version: str, /) -> Checked:
        """Give back what the checks find; raises `SenderFault` for what is no such data set at all."""


Validated = Callable[[], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judge:
    """Decides about submissions; `check` is the official checks, and may be slow: it runs on a thread."""

    database: Database
    reports: ReportIntake
    check: Check
    clock: Callable[[], datetime]

    @property
    def _settings(self) -> Settings:
        return self.reports.region.settings

    async def decide(self, payload: BinaryIO, submitted: Submitted, validated: Validated) -> Verdict:
        """Keep or refuse a payload, and give back what it came to; `validated` is awaited once the checks are passed.

        Raises `GatewayFault` and `OSError` where nothing was decided.
        """
        try:
            checked = await asyncio.to_thread(self.check, payload, submitted.data_schema, submitted.schema_version)
        except SenderFault as fault:
            return await self._refuse(payload, submitted, fault, _invalid(fault))
        broken = _broken(checked, self._settings.rule_errors)
        if broken is not None:
            return await self._refuse(payload, submitted, _fault_of(broken, checked), broken)
        await validated()
        if submitted.data_schema == DEMOGRAPHICS:
            return await self._keep_demographics(payload, submitted, checked)
        if self._settings.same_submission == "refuse" and await self._is_there(payload, submitted):
            return Verdict(Status.SAME_FILE)
        return await self._keep_reports(payload, submitted, checked)

    async def _keep_reports(self, payload: BinaryIO, submitted: Submitted, checked: Checked) -> Verdict:
        leaves_out = self._settings.rule_errors == "record"
        left_out = frozenset(uuid.lower() for uuid in checked.failed_uuids) if leaves_out else frozenset()
        terms = _terms(submitted, left_out)
        try:
            kept = await self.reports.take(payload, submitted.feed, terms)
        except SenderFault as fault:  # it lies in quarantine
            return _invalid(fault)
        if not kept:
            broken = Verdict(Status.ERROR_RULE, _report(checked))
            return await self._refuse(payload, submitted, _fault_of(broken, checked), broken)
        lines = (*map(_line, kept), *(ReportLine(uuid, "left out") for uuid in checked.failed_uuids if left_out))
        notes = await self._notes(payload, submitted, kept)
        code = Status.PARTLY_IMPORTED if left_out else self._imported(checked, kept)
        return Verdict(code, _report(checked, reports=lines, notes=notes))

    def _imported(self, checked: Checked, kept: Sequence[KeptReport]) -> Status:
        """The code for what was kept: what the rules found goes before what reading found."""
        code = IMPORTED.get(checked.worst, Status.IMPORTED) if checked.worst else Status.IMPORTED
        if code is Status.IMPORTED and self._settings.keep_faults == "report":
            faulty = any(first_error(each.findings) for each in kept)
            return Status.IMPORTED_WITH_FAULTS if faulty else code
        return code

    async def _notes(self, payload: BinaryIO, submitted: Submitted, kept: Sequence[KeptReport]) -> tuple[str, ...]:
        """Why nothing was changed, where nothing was: other bytes may say nothing new too."""
        if any(each.outcome is not ReportOutcome.UNCHANGED for each in kept):
            return ()
        if await self._is_there(payload, submitted):
            return (SAME_FILE,)
        return tuple(dict.fromkeys(FULLER_STAYS if each.is_cut_down else NOTHING_NEW for each in kept))

    async def _keep_demographics(self, payload: BinaryIO, submitted: Submitted, checked: Checked) -> Verdict:
        feed = submitted.feed
        traffic = Traffic.TEST if feed.source.trial else Traffic.LIVE
        payload.seek(0)
        try:
            kept = await asyncio.to_thread(
                keep_demographics, self.database, payload, feed=feed, traffic=traffic, now=submitted.received
            )
        except SenderFault as fault:
            return _invalid(fault)
        told = f"agencies: {len(kept.agencies)}, with news: {kept.changed}"
        return Verdict(self._imported(checked, ()), _report(checked, notes=(told,)))

    async def _refuse(self, payload: BinaryIO, submitted: Submitted, fault: SenderFault, verdict: Verdict) -> Verdict:
        terms = _terms(submitted)._replace(refused=lambda _: str(int(verdict.code)))
        await self.reports.refuse(payload, submitted.feed, terms, fault)
        return verdict

    async def _is_there(self, payload: BinaryIO, submitted: Submitted) -> bool:
        """Whether the same bytes were kept before, live or test; what this submission itself kept is no other."""
        _, digest = await asyncio.to_thread(measure, payload)
        name = submitted.feed.name
        same = partial(messages.find_same, feed=name, control_id="", content_hash=digest)
        found = [await self.database.aread(partial(same, traffic=traffic)) for traffic in Traffic]
        return any(each is not None and each.id != submitted.handle for each in found)


def _terms(submitted: Submitted, left_out: frozenset[str] = frozenset()) -> Terms:
    return Terms(
        DOOR,
        message=submitted.handle,
        is_checked=True,
        is_own_only=True,
        left_out=left_out,
        taken=str(int(Status.IMPORTED)),
        refused=lambda fault: str(int(_code_of(fault))),
    )


def _broken(checked: Checked, refused: Literal["file", "record", "none"]) -> Verdict | None:
    """The verdict on what breaks the schema or a rule; None where it may be kept, or most of it."""
    if not checked.is_valid:
        return Verdict(Status.INVALID_XML, _report(checked))
    if checked.worst not in RULES_OF:
        return None
    by_record = refused == "record" and checked.failed_uuids and not checked.failed_unplaced
    if checked.worst is Role.ERROR and (by_record or refused == "none"):
        return None
    return Verdict(RULES_OF[checked.worst], _report(checked))


def _report(checked: Checked, *, reports: tuple[ReportLine, ...] = (), notes: tuple[str, ...] = ()) -> SubmitReport:
    omitted = (f"findings left out of the rule reports: {checked.omitted}",) if checked.omitted else ()
    return SubmitReport(
        total=checked.total,
        errors=checked.errors,
        svrl=checked.svrl,
        reports=reports,
        notes=(*notes, *checked.unchecked, *omitted),
    )


def _line(kept: KeptReport) -> ReportLine:
    return ReportLine(kept.name, kept.outcome, kept.findings)


def _invalid(fault: SenderFault) -> Verdict:
    """The verdict on what could not even be read as the data set it was declared to be, or whose it is not."""
    code = _code_of(fault)
    if code is Status.INVALID_XML:
        return Verdict(code, SubmitReport(total=1, general=(str(fault),)))
    return Verdict(code, SubmitReport(notes=(str(fault),)) if code is Status.UNREADABLE else None)


def _code_of(fault: SenderFault) -> Status:
    match fault:
        case TooLarge():
            return Status.TOO_LARGE
        case UnknownSender():
            return Status.ORGANIZATION_DENIED
        case _:
            return Status.UNREADABLE if fault.code in NO_RECORD else Status.INVALID_XML


def _fault_of(verdict: Verdict, checked: Checked) -> SenderFault:
    """What the quarantine says of a payload that was refused by its checks."""
    first = next(iter(checked.errors), None)
    code = "report-schema" if verdict.code is Status.INVALID_XML else "report-rule"
    entry = FINDINGS[code]
    return UnreadableMessage(
        first.description if first else entry.message,
        code=code,
        path=first.xpath if first else "",
        line=(first.line or None) if first else None,
        remedy=entry.remedy,
    )
