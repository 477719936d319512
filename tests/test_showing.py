"""A message as it is shown: the records that intake would keep, and what a person needs besides."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from gateway.errors import SenderFault, UnreadableMessage
from gateway.findings import FINDINGS
from gateway.mapping.band_search import Outcome
from gateway.mapping.rules import Kind
from gateway.reading import kind_of, read_admission, read_reports
from gateway.records import Admission, CareReport, Finding
from gateway.region import Region, read_region
from gateway.showing import WANTING, show_records

FIXTURES = Path(__file__).parent.parent / "fixtures"
DAY = sorted((FIXTURES / "day").glob("*/*.*"))

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def region() -> Region:
    return read_region(FIXTURES / "region.yaml")


def admission(sender: str, *segments: str) -> bytes:
    header = f"MSH|^~\\&|{sender}|GATE|YF|20260314120000-0500||ADT^A04|C7|P|2.5.1"
    return "".join(f"{each}\r" for each in (header, "EVN||20260314120000-0500", *segments)).encode()


def bare(record: Admission | CareReport) -> Admission | CareReport:
    """A record without what is said in other words when it is shown: the rules, and the remedies for a missing band."""
    return replace(
        record,
        origins={name: replace(origin, rule="") for name, origin in record.origins.items()},
        sightings=tuple(replace(each, rule="") for each in record.sightings),
        findings=tuple(replace(each, remedy="") if each.code in WANTING else each for each in record.findings),
    )


@pytest.mark.parametrize("path", DAY[::12], ids=[path.stem for path in DAY[::12]])
def test_what_is_shown_is_what_would_be_kept(region: Region, path: Path) -> None:
    data = path.read_bytes()
    kept: list[Admission | CareReport] = (
        list(read_admission(region, data).admissions)
        if kind_of(data) is Kind.ADMISSIONS
        else [each.report for each in read_reports(region, data)]
    )
    shown = list(show_records(region, data))
    assert [bare(each.record) for each in shown] == list(map(bare, kept))
    for each in shown:
        found = {at.rule for at in each.looked_at if at.outcome is Outcome.FOUND}
        assert found == {sighting.rule for sighting in each.record.sightings if sighting.canonical}


def only(record: Admission | CareReport, code: str) -> Finding:
    (found,) = [each for each in record.findings if each.code == code]
    return found


@pytest.mark.parametrize(
    ("sender", "segments", "code", "remedy"),
    [
        (
            "FWCORE|FWC",
            ["PID|1||7^^^FWC^MR"],
            "band-missing",
            "fill ZBD-2 with the band, as mapping band-in-z-segment expects (now: no ZBD segment)",
        ),
        (
            "FWCORE|FWC",
            ["PID|1||7^^^FWC^MR", "NTE|1||Band YF7K4M2QG"],
            "band-free-text-only",
            "fill ZBD-2 with the band, as mapping band-in-z-segment expects (now: no ZBD segment)",
        ),
        (
            "EDTRACK|AHMC",
            ["PID|1||7^^^AHMC^MR", "OBX|1|NM|8867-4||88"],
            "band-missing",
            "fill OBX-5 where OBX-3.1 is BAND with the band, as mapping anvil-head-ed expects "
            "(now: OBX-3.1 is something else)",
        ),
        # a mapping that knows the band in prose only has no place to name
        ("WALKIN|SOH", ["PID|1||7^^^SOH^MR"], "band-missing", FINDINGS["band-missing"].remedy),
    ],
)
def test_the_remedy_for_a_missing_band_is_what_this_source_can_do(
    region: Region, sender: str, segments: list[str], code: str, remedy: str
) -> None:
    (shown,) = show_records(region, admission(sender, *segments))
    assert only(shown.record, code).remedy == remedy


def test_a_care_report_s_remedy_names_the_element(region: Region) -> None:
    data = (FIXTURES / "day" / "care-reports" / "narrative-only-1-harrow-point.xml").read_bytes()
    (shown,) = show_records(region, data)
    assert only(shown.record, "band-free-text-only").remedy == (
        "fill eOutcome/eOutcome.ExternalDataGroup/eOutcome.04 where eOutcome.03 is 4303001 with the band, "
        "as mapping band-as-disaster-tag expects (now: no such element)"
    )


def test_a_message_that_no_feed_sends_is_shown_by_the_mapping_that_looks_everywhere(region: Region) -> None:
    (shown,) = show_records(region, admission("X|Y", "PID|1||7^^^Z^MR"))
    assert (shown.feed.name, shown.feed.mapping) == ("unknown", "band-anywhere-in-admission")
    assert len(shown.looked_at) > 8
    only(shown.record, "feed-unknown")


def test_the_reports_of_a_file_are_shown_one_by_one(region: Region) -> None:
    """Each with its own places, though a report's document is gone when the next is read."""
    text = (FIXTURES / "day" / "care-reports" / "hip-1-1-larkfield.xml").read_bytes()
    start, end = text.index(b"<PatientCareReport"), text.index(b"</PatientCareReport>") + len(b"</PatientCareReport>")
    without = text[start:end].replace(b"eOutcome.04", b"eOutcome.05")
    outcomes = [each.looked_at[0].outcome for each in show_records(region, text[:end] + without + text[end:])]
    assert outcomes == [Outcome.FOUND, Outcome.ABSENT]


@pytest.mark.parametrize("data", [b"", b"hello", b"PID|1"])
def test_what_is_of_neither_kind_is_refused(region: Region, data: bytes) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        next(show_records(region, data))
    assert caught.value.code == "not-readable"
    with pytest.raises(SenderFault):
        next(show_records(region, data, feed=region.feeds["fenwick-adt"]))


@pytest.mark.parametrize(
    ("feed", "file", "says"),
    [
        ("harrow-point-reports", "day/admissions/chest-pain-1-2-anvil-head-adt-a04.hl7", "an HL7 v2 message"),
        ("anvil-head-adt", "day/care-reports/chest-pain-1-1-harrow-point.xml", "brings HL7 v2"),
    ],
)
def test_a_file_of_the_other_kind_than_its_feed_brings_is_called_that(
    region: Region, feed: str, file: str, says: str
) -> None:
    with pytest.raises(UnreadableMessage, match=says):
        next(show_records(region, (ROOT / "fixtures" / file).read_bytes(), feed=region.feeds[feed]))
