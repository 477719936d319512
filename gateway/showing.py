"""A message as it is shown to whoever maps or mends a source: its records, and what came of looking for the band.

What intake keeps is read by `gateway.reading`, and so is what is shown here: the same records. Added is what only
a person needs: which file each rule stands in, what came of every place of the band, and, where the band is missing,
what this source's mapping expects. Nothing is stored, and no message on its way waits for this.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from gateway.adapters.care_reports import ReportDocument
from gateway.adapters.report_payload import Limits
from gateway.errors import UnreadableMessage
from gateway.mapping.admissions import AdmissionReader, patients_of
from gateway.mapping.band_search import LookedAt, search_admission, search_report
from gateway.mapping.care_reports import CareReportReader
from gateway.mapping.layers import in_its_file, laid_over
from gateway.mapping.rules import Kind
from gateway.reading import ReadAdmission, ReadReport, kind_of, not_readable, read_admission, read_documents
from gateway.records import Admission, CareReport, Finding, How
from gateway.region import Feed, Region

#: What is said where no queryable place gave the band: what to do about it depends on what the mapping expects.
WANTING = frozenset({"band-missing", "band-free-text-only"})


class Shown(NamedTuple):
    """One record, the feed it is read by, and what came of each place of the band, in the order of trust."""

    feed: Feed
    record: Admission | CareReport
    looked_at: tuple[LookedAt, ...]


def show_records(region: Region, data: bytes, *, feed: Feed | None = None) -> Iterator[Shown]:
    """Give back the records of a payload of either kind; one that no feed sends is read all the same.

    Raises as `gateway.reading` does, and `UnreadableMessage` for what is of neither kind.
    """
    kind = feed.kind if feed else kind_of(data)
    if kind is None:
        raise not_readable()
    if feed is not None and kind_of(data) not in {kind, None}:
        raise _other_kind(feed)
    otherwise = region.unknown.get(kind)
    if kind is Kind.ADMISSIONS:
        yield from _admissions(read_admission(region, data, feed=feed, otherwise=otherwise))
        return
    limits = Limits(size=region.settings.care_report_bytes)
    for read, document in read_documents(region, data, feed=feed, otherwise=otherwise, limits=limits):
        yield _report(read, document)


def _other_kind(feed: Feed) -> UnreadableMessage:
    brought, wanted = ("an HL7 v2 message", "NEMSIS XML") if feed.kind is Kind.CARE_REPORTS else ("XML", "HL7 v2")
    return UnreadableMessage(
        f"{brought}, and feed {feed.name} brings {wanted}",
        code="not-readable",
        line=1,
        remedy="name a feed of the other kind, or none",
    )


def _admissions(read: ReadAdmission) -> Iterator[Shown]:
    reader, layers = read.feed.reader, read.feed.layers
    assert isinstance(reader, AdmissionReader)
    places = laid_over(layers).band
    for record, segments in zip(read.admissions, patients_of(read.message), strict=True):
        looked_at = search_admission(places, reader.bands, segments, read.message.delimiters, record.sightings)
        yield _shown(read.feed, record, looked_at)


def _report(read: ReadReport, document: ReportDocument) -> Shown:
    reader = read.feed.reader
    assert isinstance(reader, CareReportReader)
    places = laid_over(read.feed.layers).band
    looked_at = search_report(places, reader.bands, document, read.report.sightings)
    return _shown(read.feed, read.report, looked_at)


def _shown(feed: Feed, record: Admission | CareReport, looked_at: Sequence[LookedAt]) -> Shown:
    layers = feed.layers
    shown = replace(
        record,
        origins={
            name: replace(origin, rule=in_its_file(origin.rule, layers)) for name, origin in record.origins.items()
        },
        sightings=tuple(replace(each, rule=in_its_file(each.rule, layers)) for each in record.sightings),
        findings=tuple(_fitting(each, feed, looked_at) for each in record.findings),
    )
    return Shown(feed, shown, tuple(each._replace(rule=in_its_file(each.rule, layers)) for each in looked_at))


def _fitting(finding: Finding, feed: Feed, looked_at: Sequence[LookedAt]) -> Finding:
    """A finding with the remedy that fits this source: the place that its mapping trusts most."""
    best = next((each for each in looked_at if each.how is not How.FREE_TEXT), None)
    if finding.code not in WANTING or best is None:
        return finding
    return replace(
        finding, remedy=f"fill {best.place} with the band, as mapping {feed.mapping} expects (now: {best.says})"
    )
