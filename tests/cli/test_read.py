"""`bandgate read`: for every value the place it came from and the rule that took it."""

import re
from pathlib import Path
from typing import Any

import pytest

from gateway.cli.read import WIDEST, describe
from gateway.mapping_folders import read_mapping_folders, shipped
from gateway.region import Region, read_region
from gateway.showing import show_records
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
    return [describe(each) for each in show_records(region, data)]


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
    assert said.status == 1
    (record,) = said.document["records"]
    assert (record["kind"], record["feed"], record["mapping"]) == ("admissions", "anvil-head-adt", "band-in-pid3")
    values = {each["name"]: each for each in record["values"]}
    assert values["patient_class"] == {
        "name": "patient_class",
        "value": "E",
        "path": "PV1-2",
        "line": values["patient_class"]["line"],
        "rule": "hl7v2: patient_class",
    }
    assert [each["code"] for each in record["findings"] if each["level"] == "error"] == ["band-check"]
    assert record["sightings"][0]["fault"] == "band-check"
    assert [each["outcome"] for each in record["looked_at"]][:2] == ["no-band", "already-found"]
    assert all(each.keys() == {"place", "rule", "how", "outcome", "says"} for each in record["looked_at"])


@pytest.mark.parametrize(
    ("file", "status"),
    [
        ("bad/wrong-check.hl7", 1),  # errors among the findings
        ("bad/wrong-check.xml", 1),
        ("day/care-reports/transfer-child-5-tidewater.xml", 1),
        ("bad/truncated.xml", 1),  # cannot be read
        ("day/admissions/transfer-unbanded-3-saint-orla-adt-a08.hl7", 0),  # a warning
        ("day/care-reports/hip-1-1-larkfield.xml", 0),
    ],
)
def test_the_status_is_1_when_the_content_has_a_fault(bandgate: Bandgate, file: str, status: int) -> None:
    """As `check` has it, and with JSON too."""
    for command in ("read", "check"):
        for options in ([], ["--json"]):
            assert bandgate(command, FIXTURES / file, "--region", REGION, *options).status == status


def test_every_rule_names_the_file_it_stands_in(region: Region) -> None:
    """The files are opened here by themselves; a file that has a rule places the value, the group or the band."""
    files = read_mapping_folders([FIXTURES / "mappings", shipped("mappings")]).layers
    rules = set()
    for path in DAY[::9]:
        for record in described(region, path.read_bytes()):
            told = [*record["values"], *record["sightings"], *record["looked_at"]]
            rules |= {each["rule"] for each in told if each["rule"]}
    assert len({rule.partition(":")[0] for rule in rules}) > 5
    for file, name in (rule.split(": ", 1) for rule in rules):
        if file == "built in":
            assert name in {"event_time", "message_time"}
            continue
        own = files[file][0]
        bands = {f"band at {place.at or place.custom}" for place in own.band}
        grouped = {f"{group}.{value}" for group, rows in own.groups.items() for value in rows.values}
        assert name in {*own.values, *own.conditions, *bands, *grouped}, (file, name)


def columns(line: str) -> list[int]:
    """Where the columns of a line begin: behind two blanks or more."""
    return [match.end() for match in re.finditer(r"(?:^|\S)( {2,})(?=\S)", line)]


def test_a_value_wider_than_its_column_moves_no_other(bandgate: Bandgate) -> None:
    said = bandgate("read", FIXTURES / "bad" / "wrong-check.hl7", "--region", REGION).out.splitlines()
    rows = said[1 : next(n for n, line in enumerate(said) if line.startswith("  band "))]
    broken = [n for n, row in enumerate(rows) if "urn:oid:2.16.840.1.113883.19.77.21.2" in row]
    assert broken
    name, value, place, rule = columns(next(row for row in rows if "hl7v2: patient.family" in row))
    for row in rows:
        begun = columns(row)
        assert begun[0] in {name, place}
        assert begun[0] == place or begun[1] == value
        if "hl7v2: " in row:
            assert begun[-2:] == [place, rule]
    for n in broken:
        assert "PV1-19 line 5" in rows[n + 1]
        assert len(rows[n].split()[-1]) > WIDEST


def test_findings_are_told_with_place_line_and_remedy(bandgate: Bandgate) -> None:
    lines = bandgate("read", FIXTURES / "bad" / "wrong-check.hl7", "--region", REGION).out.splitlines()
    at = lines.index("  error: the check character does not fit: one character or more is wrong  [PID-3[2].1, line 3]")
    assert lines[at + 1] == "    remedy: scan the band again; never guess the right one"


def test_where_the_band_was_looked_for_is_a_table(bandgate: Bandgate, tmp_path: Path) -> None:
    path = tmp_path / "unbanded.hl7"
    path.write_text(
        "MSH|^~\\&|AHREG|AHMC|GATE|YF|20260314120000-0500||ADT^A04^ADT_A01|C7|P|2.5.1\r"
        "PID|1||00412907^^^AHMC^MR||Quillfeather^Ivy\rPV1|1|E|||||||||||||||||V100^^^AHMC^VN\r",
        newline="",
    )
    lines = bandgate("read", path, "--region", REGION).out.splitlines()
    start = lines.index("  looked for the band at")
    rows = [re.split(r" {2,}", line.strip()) for line in lines[start + 1 : start + 7]]
    assert rows[1] == [
        "PID-3 where PID-3.4.1 is YFBAND",
        "identifier",
        "by band-in-pid3",
        "PID-3.4.1 is something else",
    ]
    assert rows[2] == ["NTE-3", "free-text", "by hl7v2", "no NTE segment"]
    assert len({line.index(" by ") for line in lines[start + 1 : start + 7]}) == 1
    assert (
        "    remedy: fill PID-3 where PID-3.4.2 is 2.16.840.1.113883.19.77.1 with the band, as mapping band-in-pid3 "
        "expects (now: PID-3.4.2 is empty)"
    ) in lines


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
