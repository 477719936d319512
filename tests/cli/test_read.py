"""`bandgate read`: for every value the place it came from and the rule that took it."""

import re
from pathlib import Path
from typing import Any

import pytest

from gateway.cli.read import describe
from gateway.reading import kind_of, read_admission, read_reports
from gateway.region import Region, read_region
from tests.cli.conftest import FIXTURES, REGION, Bandgate

DAY = sorted((FIXTURES / "day").glob("*/*.*"))

#: What no place of a mapping gives: the feed gives the organisation and the traffic, the envelope the rest.
ENVELOPE = {
    "admissions": {"organisation", "traffic", "trigger", "control_id", "version", "processing_id"},
    "care-reports": {"organisation", "traffic", "key", "uuid", "partial", "version"},
}


@pytest.fixture(scope="module")
def region() -> Region:
    return read_region(REGION)


def described(region: Region, data: bytes) -> list[dict[str, Any]]:
    if kind_of(data) == "admissions":
        read = read_admission(region, data)
        return [describe(read.feed, record) for record in read.admissions]
    return [describe(each.feed, each.report) for each in read_reports(region, data)]


@pytest.mark.parametrize("path", DAY, ids=[path.stem for path in DAY])
def test_every_value_has_a_place_a_line_and_a_rule(region: Region, path: Path) -> None:
    for record in described(region, path.read_bytes()):
        without = {each["name"] for each in record["values"] if not (each["path"] and each["line"] and each["rule"])}
        assert without <= ENVELOPE[record["kind"]]
        assert len(record["values"]) > 10
        assert len({each["name"] for each in record["values"]}) == len(record["values"])


@pytest.mark.parametrize("path", DAY[::25], ids=[path.stem for path in DAY[::25]])
def test_a_value_stands_at_the_line_it_names(region: Region, path: Path) -> None:
    """The segment of an HL7 position, or the element of an XPath, stands on that line of the file."""
    data = path.read_bytes()
    lines = data.decode("utf-8", errors="replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for record in described(region, data):
        for each in [*record["values"], *record["sightings"]]:
            if each["path"]:
                last = re.split(r"[-/]", each["path"].split("/@")[0])
                name = last[0] if record["kind"] == "admissions" else re.sub(r"\[\d+\]", "", last[-1])
                assert name.split("[")[0] in lines[each["line"] - 1], each["name"]


def test_the_answer_as_json(bandgate: Bandgate) -> None:
    said = bandgate("read", FIXTURES / "bad" / "wrong-check.hl7", "--region", REGION, "--json")
    assert said.status == 0
    (record,) = said.document["records"]
    assert (record["kind"], record["feed"], record["mapping"]) == ("admissions", "anvil-head-adt", "band-in-pid3")
    values = {each["name"]: each for each in record["values"]}
    assert values["patient_class"] == {
        "name": "patient_class",
        "value": "E",
        "path": "PV1-2",
        "line": values["patient_class"]["line"],
        "rule": "band-in-pid3: patient_class",
    }
    assert [each["code"] for each in record["findings"] if each["level"] == "error"] == ["band-check"]
    assert record["sightings"][0]["fault"] == "band-check"


def test_the_answer_for_a_person(bandgate: Bandgate) -> None:
    said = bandgate("read", FIXTURES / "day" / "care-reports" / "hip-1-1-larkfield.xml", "--region", REGION)
    lines = said.out.splitlines()
    assert lines[0] == "care-reports by feed larkfield-reports, mapping band-as-patient-id"
    assert re.search(r"vitals\[0\]\.heart_rate\.value +85 +/EMSDataSet/.*eVitals\.10 line \d+ ", said.out)
    assert any(line.startswith("  band YF") for line in lines)


def test_a_reading_is_named_by_what_was_measured(region: Region) -> None:
    (record,) = described(region, (FIXTURES / "day" / "care-reports" / "hip-1-1-larkfield.xml").read_bytes())
    names = {each["name"] for each in record["values"]}
    assert {"vitals[0].heart_rate.value", "vitals[0].systolic.value", "vitals[0].glucose.missing"} <= names


@pytest.mark.parametrize(
    ("file", "line"),
    [
        ("not-xml.xml", "not-xml.xml:1: neither a care report nor an admission message: give NEMSIS XML"),
        ("truncated.xml", "truncated.xml:188: not well-formed XML: export the file again"),
        ("doctype.xml", "doctype.xml:2: a document type declaration is not accepted: export without DOCTYPE"),
        ("wrong-root.xml", "wrong-root.xml:2: not a NEMSIS EMSDataSet"),
        ("no-version.hl7", "no-version.hl7:1: MSH-12: MSH-12 names no version"),
        ("truncated.hl7", "truncated.hl7:1: MSH: MSH ends before MSH-9"),
    ],
)
def test_a_message_that_cannot_be_read_is_one_line_with_file_and_place(
    bandgate: Bandgate, file: str, line: str
) -> None:
    said = bandgate("read", FIXTURES / "bad" / file, "--region", REGION, "--json")
    assert (said.status, said.out) == (1, "")
    (fault,) = said.faults
    assert fault.removeprefix(f"{FIXTURES}/bad/").startswith(line)


def test_a_feed_can_be_named(bandgate: Bandgate) -> None:
    path = FIXTURES / "bad" / "unknown-feed.xml"
    said = bandgate("read", path, "--region", REGION, "--feed", "skerry-reports", "--json")
    assert said.document["records"][0]["feed"] == "skerry-reports"
    said = bandgate("read", path, "--region", REGION, "--feed", "anvil-head-adt")
    assert (said.status, len(said.faults)) == (1, 1)
