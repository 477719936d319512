"""From bytes to records: what a payload is, by which feed it comes, and what that feed's mapping makes of it.

The one path that doors and commands share, so that `check` and `read` show exactly what intake would keep.
Nothing is stored here.
"""

from collections.abc import Iterator
from itertools import chain
from typing import NamedTuple

from msgspec.structs import replace

from gateway.adapters import care_reports, er7
from gateway.adapters.admissions import AdmissionEvent, event_of
from gateway.adapters.report_payload import Limits, Readable
from gateway.attribution import Caller, attribute
from gateway.errors import UnknownSender, UnreadableMessage
from gateway.findings import finding
from gateway.linking.visits import acts
from gateway.mapping.admissions import AdmissionReader
from gateway.mapping.care_reports import CareReportReader
from gateway.mapping.rules import Kind
from gateway.records import Admission, CareReport, Finding
from gateway.region import Feed, Region
from gateway.region_file import CHARSET


class ReadAdmission(NamedTuple):
    """One admission message: the feed it came by, what it announces, and a record for each of its patients."""

    feed: Feed
    message: er7.Message
    event: AdmissionEvent
    admissions: tuple[Admission, ...]


class ReadReport(NamedTuple):
    """One care report and the feed it came by."""

    feed: Feed
    report: CareReport


def kind_of(data: bytes) -> Kind | None:
    """Say whether bytes look like care reports or admission messages; None for neither."""
    start = data[:512].lstrip(b"\xef\xbb\xbf\x0b \t\r\n\0")
    if start.startswith((b"<", b"\xff\xfe<", b"\xfe\xff\0<")):
        return Kind.CARE_REPORTS
    return Kind.ADMISSIONS if start.startswith((b"MSH", b"FHS", b"BHS")) else None


def not_readable() -> UnreadableMessage:
    """Give back the fault of bytes that are of neither kind."""
    return UnreadableMessage(
        "neither a care report nor an admission message",
        code="not-readable",
        line=1,
        remedy="give NEMSIS XML or an HL7 v2 message that begins with MSH",
    )


def read_admission(
    region: Region,
    data: bytes,
    *,
    feed: Feed | None = None,
    otherwise: Feed | None = None,
    caller: Caller | None = None,
) -> ReadAdmission:
    """Give back the records of one admission message.

    Without `feed` the message is attributed by `caller`, MSH-3 and MSH-4; `otherwise` reads one that no feed sends.
    Raises `UnreadableMessage` for bytes that are no message, `UnknownSender` for one that nobody is to read.
    """
    message = er7.read(data, fallback=feed.charset if feed else CHARSET)
    event = event_of(message)
    if feed is None:
        feed = _admission_feed(region, event, otherwise, caller)
        if feed.charset != CHARSET and not data.isascii():
            message = er7.read(data, fallback=feed.charset)
            event = event_of(message)
    assert isinstance(feed.reader, AdmissionReader)
    noted = (*message.notes, *event.notes, *_note_effect(event), *_note_feed(feed, otherwise))
    return ReadAdmission(feed, message, event, feed.reader.read_each(message, feed.source, noted=noted))


def _admission_feed(region: Region, event: AdmissionEvent, otherwise: Feed | None, caller: Caller | None) -> Feed:
    try:
        return attribute(region, event.sending_application, event.sending_facility, caller)
    except UnknownSender:
        if otherwise is None:
            raise
        return otherwise


def _note_effect(event: AdmissionEvent) -> list[Finding]:
    stored = event.known and not acts(event.trigger)
    return [finding("hl7-trigger-stored", path="MSH-9.2", line=1)] if stored else []


def _note_feed(feed: Feed, otherwise: Feed | None) -> list[Finding]:
    return [finding("feed-unknown")] if feed is otherwise else []


def read_reports(
    region: Region,
    source: bytes | Readable,
    *,
    feed: Feed | None = None,
    otherwise: Feed | None = None,
    limits: Limits | None = None,
) -> Iterator[ReadReport]:
    """Give back the care reports of a payload, one at a time, in the order of the file.

    Without `feed` each report is attributed by its agency number; `otherwise` reads one that no feed sends.
    Raises `UnreadableMessage`, `TooLarge` or `UnknownSender` where the fault is met; the reports before it have
    been given back by then. A report that comes a second time in the payload has a finding that says so.
    """
    for read, _ in read_documents(region, source, feed=feed, otherwise=otherwise, limits=limits):
        yield read


def read_documents(
    region: Region,
    source: bytes | Readable,
    *,
    feed: Feed | None = None,
    otherwise: Feed | None = None,
    limits: Limits | None = None,
) -> Iterator[tuple[ReadReport, care_reports.ReportDocument]]:
    """Give back what `read_reports` does, each with its document, which is there until the next is asked for."""
    documents = care_reports.reports(source, limits=limits or Limits())
    first = next(documents, None)
    if first is None:
        raise UnreadableMessage(
            "no PatientCareReport in the file", code="report-empty", remedy="export at least one report"
        )
    keys: set[str] = set()
    for document in chain([first], documents):
        sender = feed or _report_feed(region, document, otherwise)
        assert isinstance(sender.reader, CareReportReader)
        report = sender.reader.read(document, sender.source)
        if sender is otherwise:
            report = replace(report, findings=(*_note_feed(sender, otherwise), *report.findings))
        if report.key in keys:
            again = finding("report-twice", path=document.path, line=care_reports.line_of(document.element))
            report = replace(report, findings=(*report.findings, again))
        keys.add(report.key)
        yield ReadReport(sender, report), document


def _report_feed(region: Region, document: care_reports.ReportDocument, otherwise: Feed | None) -> Feed:
    number = document.header.text("dAgency.02")
    for feed in region.feeds.values():
        if feed.kind is Kind.CARE_REPORTS and number in feed.source.agency_numbers:
            return feed
    if otherwise is not None:
        return otherwise
    raise UnknownSender(
        "no feed of this region belongs to this agency",
        code="unknown-feed",
        path=f"{document.header.path}/DemographicGroup/dAgency.02",
        remedy="name the feed, or give the agency's number in region.yaml",
    )
