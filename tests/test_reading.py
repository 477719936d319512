"""From bytes to records: what a payload is, by which feed it comes, and what is noted on the way."""

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import SenderFault, UnknownSender, UnreadableMessage
from gateway.mapping.rules import Kind
from gateway.reading import kind_of, read_admission, read_reports
from gateway.region import Region, read_region
from tests.fuzz.trees import bent

FIXTURES = Path(__file__).parent.parent / "fixtures"
REPORT = (FIXTURES / "day" / "care-reports" / "hip-1-1-larkfield.xml").read_bytes()
REPORTS = [path.read_bytes() for path in sorted((FIXTURES / "day" / "care-reports").glob("*.xml"))[::4]]
REPORT_FEEDS = ["harrow-point-reports", "larkfield-reports", "skerry-reports", "tidewater-reports"]
ADMISSIONS = [path.read_bytes() for path in sorted((FIXTURES / "day" / "admissions").glob("*.hl7"))[::3]]
ODD = (
    b"",
    b"\r",
    b"\n",
    b"|",
    b"^",
    b"~",
    b"\\",
    b"\\X",
    b"&",
    b'""',
    b"\xff",
    b"\x1b$B",
    b"\0",
    b"PID",
    b"\rPID|",
    b"\rMSH|^~\\&|",
)


@pytest.fixture(scope="module")
def region() -> Region:
    return read_region(FIXTURES / "region.yaml")


def admission(trigger: str = "ADT^A04", *, sender: str = "AHREG|AHMC", name: bytes = b"Quillfeather") -> bytes:
    text = f"MSH|^~\\&|{sender}|GATE|YF|20260314120000-0500||{trigger}|C7|P|2.5.1\rEVN||20260314120000-0500\r"
    return text.encode() + b"PID|1||7^^^AHMC^MR||" + name + b"^Ivy\rPV1|1|E\r"


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"<EMSDataSet/>", Kind.CARE_REPORTS),
        (b"\xef\xbb\xbf\n <?xml version='1.0'?>", Kind.CARE_REPORTS),
        ("\ufeff<?xml".encode("utf-16-le"), Kind.CARE_REPORTS),
        ("\ufeff<?xml".encode("utf-16-be"), Kind.CARE_REPORTS),
        (b"MSH|^~\\&|", Kind.ADMISSIONS),
        (b"\x0bMSH|^~\\&|", Kind.ADMISSIONS),
        (b"\r\nFHS|^~\\&|", Kind.ADMISSIONS),
        (b"BHS|", Kind.ADMISSIONS),
        (b"PID|1", None),
        (b"hello", None),
        (b"", None),
    ],
)
def test_what_a_payload_is(data: bytes, kind: Kind | None) -> None:
    assert kind_of(data) is kind


def test_a_message_is_attributed_by_its_sender_or_as_told(region: Region) -> None:
    assert read_admission(region, admission()).feed.name == "anvil-head-adt"
    told = read_admission(region, admission(sender="X|Y"), feed=region.feeds["fenwick-adt"])
    assert told.feed.name == "fenwick-adt"
    with pytest.raises(UnknownSender) as caught:
        read_admission(region, admission(sender="X|Y"))
    assert (caught.value.code, caught.value.path, caught.value.line) == ("unknown-feed", "MSH-3", 1)


@pytest.mark.parametrize(
    ("trigger", "stored"),
    [
        *((f"ADT^{code}", False) for code in ("A01", "A03", "A04", "A08", "A99")),
        *((f"ADT^{code}", True) for code in ("A11", "A40")),
        ("ORU^R01", False),
    ],
)
def test_a_trigger_that_does_not_act_yet_is_noted_once(region: Region, trigger: str, stored: bool) -> None:
    (record,) = read_admission(region, admission(trigger)).admissions
    codes = [each.code for each in record.findings]
    assert ("hl7-trigger-stored" in codes) is stored
    assert len(set(codes) & {"hl7-trigger-stored", "hl7-trigger-unknown"}) <= 1


def test_the_feeds_own_character_set_is_the_last_resort(tmp_path: Path) -> None:
    """Without MSH-18 and not in UTF-8; 0xF1 is "ñ" in ISO 8859-1 and "ρ" in ISO 8859-7 (the tables of both)."""
    text = (FIXTURES / "region.yaml").read_text(encoding="utf-8")
    feed = "  - name: anvil-head-adt\n"
    (tmp_path / "mappings").symlink_to(FIXTURES / "mappings")
    (tmp_path / "region.yaml").write_text(text.replace(feed, f"{feed}    charset: iso8859-7\n", 1))
    usual, own = read_region(FIXTURES / "region.yaml"), read_region(tmp_path / "region.yaml")
    data = admission(name=b"Qui\xf1o")
    assert read_admission(usual, data).admissions[0].patient.family == "Quiño"
    assert read_admission(own, data).admissions[0].patient.family == "Quiρo"
    assert read_admission(own, data, feed=own.feeds["anvil-head-adt"]).admissions[0].patient.family == "Quiρo"
    assert read_admission(own, admission(name="Quiño".encode())).admissions[0].patient.family == "Quiño"


def test_a_report_is_attributed_by_its_agency_or_as_told(region: Region) -> None:
    assert [each.feed.name for each in read_reports(region, REPORT)] == ["larkfield-reports"]
    strange = REPORT.replace(b"YF-A-012", b"YF-A-999")
    told = read_reports(region, strange, feed=region.feeds["skerry-reports"])
    assert [each.feed.name for each in told] == ["skerry-reports"]
    with pytest.raises(UnknownSender) as caught:
        list(read_reports(region, strange))
    assert caught.value.path == "/EMSDataSet/Header[1]/DemographicGroup/dAgency.02"


def test_a_report_that_comes_twice_in_a_payload_says_so(region: Region) -> None:
    start, end = (
        REPORT.index(b"<PatientCareReport"),
        REPORT.index(b"</PatientCareReport>") + len(b"</PatientCareReport>"),
    )
    twice = REPORT[:end] + REPORT[start:end] + REPORT[end:]
    first, second = (each.report for each in read_reports(region, twice))
    assert first.key == second.key
    assert "report-twice" not in {each.code for each in first.findings}
    (found,) = [each for each in second.findings if each.code == "report-twice"]
    assert found.path == "/EMSDataSet/Header[1]/PatientCareReport[2]"
    assert found.line == twice[: end + 1].count(b"\n") + 1


def test_a_payload_without_a_report_is_unreadable(region: Region) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        list(read_reports(region, b'<EMSDataSet xmlns="http://www.nemsis.org"/>'))
    assert caught.value.code == "report-empty"


@given(st.binary(max_size=60) | st.binary(max_size=60).map(lambda tail: b"MSH|^~\\&|AHREG|AHMC" + tail))
def test_any_bytes_are_records_or_the_senders_fault(region: Region, data: bytes) -> None:
    for read in (lambda: read_admission(region, data), lambda: list(read_reports(region, data))):
        told = ("read", "well")
        try:
            read()
        except SenderFault as fault:
            told = (fault.code, fault.message)
        assert all(told)


def told(region: Region, data: bytes, feed: str) -> list[object]:
    """What a payload of care reports says by the mapping of a feed: its records, and the fault that ends it."""
    found: list[object] = []
    try:
        found += [read.report for read in read_reports(region, data, feed=region.feeds[feed])]
    except SenderFault as fault:
        found.append((fault.code, bool(fault.remedy or fault.path)))
    return found


@given(st.sampled_from(REPORTS), st.sampled_from(REPORT_FEEDS), st.integers(0, 1 << 32).map(random.Random))
def test_a_well_formed_report_however_bent_is_read_or_the_senders_fault(
    region: Region, report: bytes, feed: str, chance: random.Random
) -> None:
    """Elements missing, twice, in the wrong place, under other names, with texts nobody expects; twice the same."""
    data = bent(report, chance)
    assert data is not None
    assert told(region, data, feed) == told(region, data, feed) != []


@given(st.sampled_from(ADMISSIONS), st.data())
def test_an_admission_however_cut_and_mixed_is_read_or_the_senders_fault(
    region: Region, message: bytes, data: st.DataObject
) -> None:
    """Pieces of real messages in any order: what two senders leave when their lines get crossed."""
    other = data.draw(st.sampled_from(ADMISSIONS))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(message)), min_size=2, max_size=2)))
    mixed = message[: cuts[0]] + other[cuts[0] : cuts[1]] + data.draw(st.sampled_from(ODD)) + message[cuts[1] :]
    known = ("read", "well")
    try:
        read = read_admission(region, mixed)
        assert len(read.admissions) > 0 or read.event.notes or not read.event.known
    except SenderFault as fault:
        known = (fault.code, fault.remedy or fault.path)
    assert all(known)
