"""One message through the house: read and mapped, kept in one transaction, answered.

    bytes → read and mapped → handed to `gateway.keeping`, which keeps it in one transaction → the answer

The answer is given only after the commit: what has been kept is acknowledged and its faults go to the feed's
work list, because a needless refusal halts a hospital's feed; refused is only what could not be read or
attributed, and even that is kept, in quarantine; a fault of ours says "try again".
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import BinaryIO, NamedTuple

from lxml import etree

from gateway.adapters.acknowledgements import (
    TRY_LATER,
    Header,
    Outcome,
    Problem,
    Style,
    acknowledge,
    answers,
    header_of,
    mode_of,
    problem_of,
    salvage_header,
)
from gateway.attribution import Caller
from gateway.errors import GatewayFault, NotKept, SenderFault, UnknownSender
from gateway.keeping import Keeper, Keeping, KeptReport, ReadMessage, Refused, first_error, log_kept
from gateway.logs import log
from gateway.reading import ReadAdmission, read_admission
from gateway.records import Finding, Traffic
from gateway.region import Feed, Region
from gateway.report_intake import ReportIntake, Terms
from gateway.store.messages import MessageKind
from gateway.store.messages import Outcome as Became
from gateway.store.strangers import Knock


class KeptAdmission(NamedTuple):
    """One admission message after the commit; `name` is its control id."""

    name: str
    outcome: Became
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class AdmissionIntake:
    """Takes admission messages for one region, and answers them.

    `clock` gives the time now, `new_id` a fresh id.
    """

    region: Region
    keeper: Keeper
    clock: Callable[[], datetime]
    new_id: Callable[[], str]

    async def take(self, data: bytes, caller: Caller, *, feed: Feed | None = None) -> tuple[bytes, ...]:
        """Take one admission message and give back its acknowledgements, in the order in which they go out.

        One as a rule; none where the sender wants none, two for a feed that reads both of the enhanced mode.
        """
        try:
            return await self._take(data, caller, feed)
        except SenderFault as fault:
            return await self.turn_away(data, fault, caller, feed=feed)
        except Exception as error:  # noqa: BLE001  whatever we did wrong, a sender left unanswered stands still
            return self._not_now(salvage_header(data), error)

    async def _take(self, data: bytes, caller: Caller, feed: Feed | None) -> tuple[bytes, ...]:
        received = self.clock()
        read = read_admission(self.region, data, feed=feed, caller=caller)
        message = _message(read, data, caller, received)
        header, style = header_of(read.message), read.feed.answers
        try:
            settled = await self.keeper.keep(message)
        except GatewayFault as fault:
            return self._not_now(header, fault, style)
        findings = [each for record in read.admissions for each in record.findings]
        log_kept(message.feed, caller.door, settled.became, findings, took=self.clock() - received)
        if settled.answer == "AE":
            return self._answers(header, Outcome.ERROR, style, _problem(findings))
        return self._answers(header, Outcome.TAKEN, style)

    async def keep(self, data: bytes, caller: Caller, feed: Feed) -> KeptAdmission:
        """Take one message of a feed and give back what became of it in place of an answer.

        Raises `SenderFault` for one that was refused (and is now in quarantine), `GatewayFault` when nothing was kept.
        """
        received = self.clock()
        try:
            read = read_admission(self.region, data, feed=feed, caller=caller)
        except SenderFault as fault:
            kind = MessageKind.ADMISSION
            refused = refusal(data, fault, door=caller.door, feed=feed, kind=kind, answer="AR", received=received)
            await self.keeper.refuse(refused)
            log("message_refused", level="warning", feed=feed.name, door=caller.door, code=fault.code)
            raise
        settled = await self.keeper.keep(_message(read, data, caller, received))
        findings = tuple(each for record in read.admissions for each in record.findings)
        log_kept(feed.name, caller.door, settled.became, findings, took=self.clock() - received)
        return KeptAdmission(read.event.control_id, settled.became, findings)

    async def turn_away(
        self, data: bytes, fault: SenderFault, caller: Caller, *, feed: Feed | None = None
    ) -> tuple[bytes, ...]:
        """Keep an unreadable or unattributable admission message in quarantine and give back the refusals."""
        header = salvage_header(data)
        known = feed or self._find_feed(header, caller)
        style = known.answers if known else Style.AUTO
        refused = refusal(
            data,
            fault,
            door=caller.door,
            feed=feed if isinstance(fault, UnknownSender) else known,
            kind=MessageKind.ADMISSION,
            answer="AR",
            received=self.clock(),
            knock=None if known and not isinstance(fault, UnknownSender) else _knock(header, fault, caller),
        )
        try:
            await self.keeper.refuse(refused)
        except GatewayFault as failure:
            return self._not_now(header, failure, style)
        log("message_refused", level="warning", feed=refused.feed, door=caller.door, code=fault.code)
        return self._answers(header, Outcome.REJECTED, style, problem_of(fault))

    def _find_feed(self, header: Header, caller: Caller) -> Feed | None:
        """The feed that an unreadable message seems to be of: it is answered in that feed's style, and lies with its
        messages, those of a feed on trial apart from the live ones."""
        if caller.port_feed:
            return self.region.feeds[caller.port_feed]
        said = self.region.find_admission_feed(*_sender(header))
        is_proved = said is None or not said.certificates or said.name in caller.certified
        return said if is_proved else None

    def _not_now(self, header: Header, error: Exception, style: Style = Style.AUTO) -> tuple[bytes, ...]:
        """The answer to a message that a fault of ours kept us from taking; the log gets the kind of fault alone."""
        kind = type(error.__cause__ or error).__name__
        if not isinstance(error, GatewayFault):
            log("request_failed", level="error", error=kind)
        elif not isinstance(error, NotKept):
            log("store_failed", level="error", error=kind)
        return self._answers(header, Outcome.LATER, style, TRY_LATER)

    def _answers(
        self, header: Header, outcome: Outcome, style: Style, problem: Problem | None = None
    ) -> tuple[bytes, ...]:
        return tuple(
            acknowledge(
                header,
                code,
                control_id=self.new_id(),
                time=self.clock(),
                sending=("GATEWAY", self.region.name),
                problem=problem,
            )
            for code in answers(mode_of(header), outcome, style).on_connection(style)
        )


@dataclass(frozen=True, slots=True)
class Intake:
    """Takes messages of both kinds for one region and keeps them in this process.

    `schema`, where the operator has registered the official files, is what care reports must be valid by.
    """

    region: Region
    keeping: Keeping
    clock: Callable[[], datetime]
    schema: etree.XMLSchema | None = None

    # ── admission messages ─────────────────────────────────────────────────────────────────────

    async def admission(self, data: bytes, *, door: str, feed: Feed | None = None) -> bytes:
        """Take one admission message where there is room for one answer; empty when the sender wants none."""
        given = await self.admissions.take(data, Caller(door), feed=feed)
        return given[0] if given else b""

    async def admission_kept(self, data: bytes, feed: Feed, *, door: str) -> KeptAdmission:
        """Take one admission message of a feed that is told in findings, whatever acknowledgement the message wants.

        Raises `SenderFault` for one that was refused (and is now in quarantine), `GatewayFault` when nothing was kept.
        """
        return await self.admissions.keep(data, Caller(door), feed)

    @property
    def admissions(self) -> AdmissionIntake:
        """The part that takes admission messages."""
        return AdmissionIntake(self.region, self.keeping, self.clock, self.keeping.new_id)

    # ── care reports ───────────────────────────────────────────────────────────────────────────

    async def care_reports(self, source: BinaryIO, feed: Feed, *, door: str) -> list[KeptReport]:
        """Take a payload of care reports and give back what became of each.

        The whole payload is read before anything of it is kept: a faulty one changes nothing stored. Raises
        `SenderFault` for one that was refused (and is now in quarantine), `GatewayFault` when not all of it
        could be kept: sent again, it is completed.
        """
        return await self.reports.take(source, feed, Terms(door))

    @property
    def reports(self) -> ReportIntake:
        """The part that takes care reports."""
        return ReportIntake(self.region, self.keeping, self.clock, self.schema)


def _message(read: ReadAdmission, data: bytes, caller: Caller, received: datetime) -> ReadMessage:
    return ReadMessage(
        feed=read.feed.name,
        door=caller.door,
        received=received,
        control_id=read.event.control_id,
        admissions=read.admissions,
        data=data,
    )


def refusal(
    data: bytes,
    fault: SenderFault,
    *,
    door: str,
    feed: Feed | None,
    kind: MessageKind,
    answer: str,
    received: datetime,
    knock: Knock | None = None,
) -> Refused:
    """Give back what goes into quarantine of a message that was refused; `knock` says which stranger sent it."""
    return Refused(
        feed=feed.name if feed else None,
        door=door,
        received=received,
        kind=kind,
        control_id=salvage_header(data).control_id if kind is MessageKind.ADMISSION else "",
        traffic=Traffic.TEST if feed and feed.source.trial else Traffic.LIVE,
        answer=answer,
        code=fault.code,
        says=fault.message,
        remedy=fault.remedy,
        path=fault.path,
        line=fault.line,
        data=data,
        knock=knock,
    )


def _knock(header: Header, fault: SenderFault, caller: Caller) -> Knock:
    return Knock(caller.door, caller.address, *_sender(header), code=fault.code)


def _sender(header: Header) -> tuple[str, str]:
    """MSH-3.1 and MSH-4.1 as they stand."""
    mark = header.delimiters.component
    return header.application.partition(mark)[0], header.facility.partition(mark)[0]


def _problem(findings: Iterable[Finding]) -> Problem | None:
    """The first error among findings, as an acknowledgement states it; None when there is none."""
    first = first_error(findings)
    return Problem("207", f"{first.message}: {first.remedy}", first.path) if first else None
