"""`bandgate check`: the shape of its answer, each state of a band, and a status for every kind of file."""

import json
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.findings import FINDINGS
from tests.cli.conftest import FIXTURES, REGION, Bandgate
from tests.cli.people import said_of, secrets_of
from tests.fixtures.committed import read_yaml

TEXT = {"type": "string"}
LINE = {"type": ["integer", "null"], "minimum": 1}
FINDING = {
    "type": "object",
    "additionalProperties": False,
    "required": ["level", "code", "path", "line", "message", "remedy"],
    "properties": {
        "level": {"enum": ["error", "warning", "note"]},
        "code": {"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"},
        "path": TEXT,
        "line": LINE,
        "message": {"type": "string", "minLength": 5},
        "remedy": TEXT,
    },
}
BAND = {
    "type": "object",
    "additionalProperties": False,
    "required": ["state", "value", "canonical", "places"],
    "properties": {
        "state": {"enum": ["recorded", "free-text-only", "malformed", "several", "missing"]},
        "value": {"type": ["string", "null"]},
        "canonical": {"type": ["string", "null"]},
        "places": {
            "type": "array",
            "items": {
                "type": "object",
                "additionalProperties": False,
                "required": ["path", "line", "how"],
                "properties": {"path": TEXT, "line": LINE, "how": {"enum": ["identifier", "custom", "free-text"]}},
            },
        },
    },
}
#: What the outside may rely on, as a schema.
ANSWER = jsonschema_rs.Draft202012Validator(
    {
        "type": "object",
        "additionalProperties": False,
        "required": ["files", "summary"],
        "properties": {
            "files": {
                "type": "array",
                "items": {
                    "type": "object",
                    "additionalProperties": False,
                    "required": ["file", "standard", "version", "records", "findings"],
                    "properties": {
                        "file": TEXT,
                        "standard": {"enum": ["NEMSIS", "HL7 v2", None]},
                        "version": {"type": ["string", "null"]},
                        "records": {
                            "type": "array",
                            "items": {
                                "type": "object",
                                "additionalProperties": False,
                                "required": ["id", "band", "findings"],
                                "properties": {
                                    "id": TEXT,
                                    "band": BAND,
                                    "findings": {"type": "array", "items": FINDING},
                                },
                            },
                        },
                        "findings": {"type": "array", "items": FINDING},
                    },
                },
            },
            "summary": {"type": "object"},
        },
    }
)


def codes(file: dict[str, Any]) -> set[str]:
    lists = [file["findings"], *(record["findings"] for record in file["records"])]
    return {each["code"] for found in lists for each in found}


@pytest.fixture
def check(bandgate: Bandgate) -> Any:
    """Check a path by the region of the fixtures; the answer is held against the schema, the status against it."""

    def checked(path: Path, *options: object, status: int | None = None) -> dict[str, Any]:
        said = bandgate("check", path, "--region", REGION, "--json", *options)
        document: dict[str, Any] = said.document
        ANSWER.validate(document)
        assert said.status == (1 if document["summary"]["errors"] else 0)
        assert status is None or said.status == status
        assert said.faults == []
        return document

    return checked


# ── the whole day ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("folder", ["admissions", "care-reports"])
def test_the_day_is_checked_file_by_file_and_names_nobody(check: Any, folder: str) -> None:
    document = check(FIXTURES / "day" / folder)
    files = sorted((FIXTURES / "day" / folder).iterdir())
    assert [each["file"] for each in document["files"]] == [str(path) for path in files]
    for path, file in zip(files, document["files"], strict=True):
        assert len(file["records"]) == 1
        assert file["standard"] == ("NEMSIS" if folder == "care-reports" else "HL7 v2")
        assert file["version"] or folder == "care-reports"  # the fixtures' reports name no release
        assert said_of(secrets_of(path.read_bytes()), json.dumps(file["records"], ensure_ascii=False)) == set()
    summary = document["summary"]
    assert summary["files"] == summary["records"] == sum(summary["bands"].values()) == len(files)


def test_every_finding_that_is_said_is_in_the_table_and_every_place_has_a_line(check: Any) -> None:
    for file in check(FIXTURES / "day")["files"]:
        assert codes(file) <= set(FINDINGS)
        for record in file["records"]:
            assert all(place["line"] for place in record["band"]["places"])
            told = [each for each in record["findings"] if each["level"] != "note"]
            assert all(each["line"] or not each["path"] or each["path"].endswith("]") for each in told)


def test_what_the_expectations_say_about_a_file_is_said(check: Any) -> None:
    """The expected findings were written by hand, knowing nothing of the gateway."""
    for case in read_yaml("expected.yaml")["cases"]:
        for expected in case.get("findings", []):
            (file,) = check(FIXTURES / expected["file"])["files"]
            assert set(expected["codes"]) <= codes(file), expected["file"]


# ── each state of a band ───────────────────────────────────────────────────────────────────────────


def admission(*identifiers: str, more: str = "") -> str:
    listed = "~".join(["00412907^^^AHMC^MR", *identifiers])
    return (
        "MSH|^~\\&|AHREG|AHMC|GATE|YF|20260314120000-0500||ADT^A04^ADT_A01|C7|P|2.5.1\r"
        f"EVN||20260314120000-0500\rPID|1||{listed}||Quillfeather^Ivy||19710202|F\r"
        f"PV1|1|E|||||||||||||||||V100^^^AHMC^VN\r{more}"
    )


OWN = "{}^^^YFBAND^PNT"


@pytest.mark.parametrize(
    ("text", "state", "canonical", "status"),
    [
        (admission(OWN.format("YF7K4M2QG")), "recorded", "YF7K4M2QG", 0),
        (admission(OWN.format("yf7 k4m-2qg")), "recorded", "YF7K4M2QG", 0),
        (admission(OWN.format("YF7K4M2QG"), OWN.format("YF034M2QG")), "several", "YF7K4M2QG", 0),
        (admission(OWN.format("YF7K4M2QH")), "malformed", None, 1),
        (admission(OWN.format("ABC")), "malformed", None, 1),
        (admission(more="NTE|1||Band YF7K4M2QG on left wrist\r"), "free-text-only", "YF7K4M2QG", 1),
        (admission(), "missing", None, 0),
    ],
    ids=["recorded", "as-typed", "several", "check", "form", "prose", "missing"],
)
def test_each_state_of_a_band(  # noqa: PLR0917 - fixtures, and a row of the table
    check: Any, tmp_path: Path, text: str, state: str, canonical: str | None, status: int
) -> None:
    """The identifiers are those of the demonstration scheme; its check is MOD X-2 with 29 characters."""
    path = tmp_path / "one.hl7"
    path.write_text(text, newline="")
    document = check(path, status=status)
    band = document["files"][0]["records"][0]["band"]
    assert (band["state"], band["canonical"]) == (state, canonical)
    assert (band["places"] == []) is (state == "missing")
    assert document["summary"]["bands"][state] == 1


@pytest.mark.parametrize(
    ("file", "state"),
    [
        ("care-reports/chest-pain-1-1-harrow-point.xml", "recorded"),
        ("care-reports/stroke-1-1-skerry.xml", "recorded"),
        ("care-reports/narrative-only-1-harrow-point.xml", "free-text-only"),
        ("care-reports/transfer-heart-5-tidewater.xml", "free-text-only"),
        ("care-reports/two-in-one-report-1-larkfield.xml", "several"),
        ("care-reports/misread-by-crew-1-larkfield.xml", "malformed"),
        ("care-reports/national-only-4-harrow-point.xml", "missing"),
        ("care-reports/lower-case-1-larkfield.xml", "recorded"),
    ],
)
def test_the_states_of_the_day(check: Any, file: str, state: str) -> None:
    (found,) = check(FIXTURES / "day" / file)["files"]
    assert [record["band"]["state"] for record in found["records"]] == [state]


def test_every_state_has_a_fixture(check: Any) -> None:
    assert all(count > 0 for count in check(FIXTURES)["summary"]["bands"].values())


# ── bad files ──────────────────────────────────────────────────────────────────────────────────────

BAD = read_yaml("expected.yaml")["bad"]
NEEDS_SCHEMA = {"report-schema"}  # found where the official schema files are at hand: tests/cli/test_main.py
AT_THE_DOOR = {"framing", "unknown-feed"}  # what a connection or a signed-in sender is told, not a reader of a file


@pytest.mark.parametrize("case", BAD, ids=[case["file"] for case in BAD])
def test_a_bad_file_is_told_as_the_expectations_say(check: Any, case: dict[str, Any]) -> None:
    """Read as the feed of the expectation reads it. `check` has a status of 1 for what it finds wrong."""
    options = ["--feed", case["feed"]] if "feed" in case and case["code"] not in AT_THE_DOOR else []
    (file,) = check(FIXTURES / case["file"], *options)["files"]
    if case["code"] in NEEDS_SCHEMA | AT_THE_DOOR:
        return
    assert case["code"] in codes(file)
    assert (file["records"] == []) is (case["outcome"] == "refused")


@pytest.mark.parametrize("case", BAD, ids=[case["file"] for case in BAD])
def test_nothing_said_about_a_bad_file_names_a_person(bandgate: Bandgate, case: dict[str, Any]) -> None:
    path = FIXTURES / case["file"]
    secrets = secrets_of(path.read_bytes())
    said = bandgate("check", path, "--region", REGION)
    assert said_of(secrets, said.out + said.err) == set()
    assert said_of(secrets, bandgate("read", path, "--region", REGION).err) == set()


def test_one_bad_file_among_good_ones_keeps_nothing_from_being_checked(check: Any, tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"<EMSDataSet")
    (tmp_path / "b.hl7").write_text(admission(OWN.format("YF7K4M2QG")), newline="")
    (tmp_path / "c.hl7").write_bytes(b"\x00\xff")
    document = check(tmp_path, status=1)
    assert [len(file["records"]) for file in document["files"]] == [0, 1, 0]
    assert document["summary"]["errors"] == 2


@pytest.mark.parametrize(
    "data", [b"", b"\n", b"MSH", b"<", b"\xff\xfe", b"MSH|^~\\&|", b"hello", b"\x0bMSH|^~\\&\x1c\r"]
)
def test_scraps_are_faults(check: Any, tmp_path: Path, data: bytes) -> None:
    (tmp_path / "scrap.hl7").write_bytes(data)
    (file,) = check(tmp_path / "scrap.hl7", status=1)["files"]
    assert file["records"] == []
    assert all(each["remedy"] or each["path"] for each in file["findings"])


ADMISSION = (FIXTURES / "bad" / "wrong-check.hl7").read_bytes()
REPORT = (FIXTURES / "bad" / "wrong-check.xml").read_bytes()


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A good message with some of its bytes cut out, doubled or replaced."""
    data = draw(st.sampled_from([ADMISSION, REPORT]))
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 40)))
        data = (
            data[:start]
            + draw(st.sampled_from([b"", b"\0", b"|", b"\xff", b"\r", b"<", data[start:end] * 2]))
            + data[end:]
        )
    return data


hostile = st.binary(max_size=80) | st.binary(max_size=80).map(lambda tail: b"MSH|^~\\&" + tail) | spoilt()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(hostile, min_size=10, max_size=10))
def test_any_bytes_are_checked_and_none_end_in_a_traceback(check: Any, tmp_path: Path, messages: list[bytes]) -> None:
    for number, data in enumerate(messages):
        (tmp_path / f"{number}.hl7").write_bytes(data)
    files = check(tmp_path)["files"]
    assert len(files) == len(messages)
    said = [[each["message"], each["remedy"]] for file in files for each in file["findings"]]
    assert said_of(secrets_of(ADMISSION) | secrets_of(REPORT), json.dumps(said, ensure_ascii=False)) == set()


# ── how it reads on a terminal ─────────────────────────────────────────────────────────────────────


def test_a_person_reads_state_place_and_remedy(bandgate: Bandgate) -> None:
    said = bandgate("check", FIXTURES / "bad" / "wrong-check.hl7", "--region", REGION)
    assert said.status == 1
    assert "band malformed at PID-3" in said.out
    assert "error: the check character does not fit" in said.out
    assert "remedy: scan the band again" in said.out
    assert said.out.splitlines()[-2] == "In 1 file: band recorded in 0 of 1 record; others: 1 malformed"
    assert said.out.splitlines()[-1].startswith("To be mended: 1 error. To be looked at: 0 warnings. Worth knowing: ")
    assert "check two identifiers at the bedside" in said.err.replace("\n", " ")


def test_the_notes_of_a_folder_are_counted_and_shown_when_asked_for(bandgate: Bandgate, tmp_path: Path) -> None:
    for name in ("a", "b"):
        text = admission(OWN.format("YF7K4M2QG")).replace("-0500", "")
        (tmp_path / f"{name}.hl7").write_text(text, newline="")
    for paths, options, shown in (
        ([tmp_path], [], 0),
        ([tmp_path], ["--notes"], 2),
        ([tmp_path], ["-v"], 2),
        ([tmp_path / "a.hl7"], [], 1),
    ):
        said = bandgate("check", *paths, "--region", REGION, *options)
        assert said.out.count("note: a time without zone") == shown
        assert f"Worth knowing: {len(paths) if shown == 1 else 2} note" in said.out
        assert ("(shown with --notes)" in said.out) is (shown == 0)


def test_the_files_with_errors_are_listed_at_the_end(bandgate: Bandgate, tmp_path: Path) -> None:
    for name, band in (("a", "YF7K4M2QG"), ("b", "YF7K4M2QH"), ("c", "YF7K4M2QG"), ("d", "ABC")):
        (tmp_path / f"{name}.hl7").write_text(admission(OWN.format(band)), newline="")
    (tmp_path / "e.xml").write_bytes(b"<EMSDataSet")
    lines = bandgate("check", tmp_path, "--region", REGION).out.splitlines()
    assert lines[-4:] == ["Errors stand in", *(f"  {tmp_path / name}" for name in ("b.hl7", "d.hl7", "e.xml"))]
    assert "To be mended: 3 errors." in lines[-5]
    assert "Errors stand in" not in bandgate("check", tmp_path / "b.hl7", "--region", REGION).out


def test_a_missing_band_has_the_remedy_that_fits_its_source(check: Any, tmp_path: Path) -> None:
    (tmp_path / "one.hl7").write_text(admission(), newline="")
    (record,) = check(tmp_path / "one.hl7", status=0)["files"][0]["records"]
    (found,) = [each for each in record["findings"] if each["code"] == "band-missing"]
    assert found["remedy"].startswith("fill PID-3 where PID-3.4.2 is 2.16.840.1.113883.19.77.1 with the band")


def test_what_a_stranger_wrote_cannot_steer_the_terminal(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "steer.hl7").write_text(admission().replace("C7", "\x1b[2JC7"), newline="")
    for command in ("check", "read"):
        assert "\x1b" not in bandgate(command, tmp_path / "steer.hl7", "--region", REGION).out


def test_a_file_with_a_name_that_is_no_text(check: Any, tmp_path: Path) -> None:
    path = Path(str(tmp_path) + "/\udcff.hl7")
    path.write_text(admission(), newline="")
    assert check(path)["summary"]["files"] == 1


def test_a_folder_is_read_through_and_other_files_are_left_alone(check: Any, tmp_path: Path) -> None:
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "A.HL7").write_text(admission(), newline="")
    (tmp_path / "notes.md").write_text("no message")
    assert [Path(file["file"]).name for file in check(tmp_path)["files"]] == ["A.HL7"]
