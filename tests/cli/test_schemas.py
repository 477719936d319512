"""`bandgate schemas`: the official files, registered all or not at all."""

from pathlib import Path

import pytest

from tests.care_reports import data_set, header, report
from tests.cli.conftest import Bandgate
from tests.fixtures.committed import SHARED, needs_standards
from tests.official import RULES, XSDS, XSDS_351, refuse, rule_file, zipped


@needs_standards
def test_the_published_files_from_folder_to_list_and_off_it(bandgate: Bandgate, tmp_path: Path) -> None:
    """NEMSIS 3.5.1, build 250403 CP1."""
    data = tmp_path / "data"
    said = bandgate("schemas", "add", SHARED / "nemsis", "--data", data, "--json")
    assert said.status == 0
    names = [each["name"] for each in said.document["registered"]]
    assert sorted(names) == [
        "EMSDataSet-3.5.1", "EMSDataSet-3.5.1-rules-compliance-pretesting-2025", "EMSDataSet-3.5.1-rules-national",
    ]  # fmt: skip
    assert "README.md" in said.document["left_out"]
    assert "left out" in said.err
    listed = bandgate("schemas", "list", "--data", data)
    assert "EMSDataSet-3.5.1-rules-national: rules of EMSDataSet 3.5.1 (3.5.1.250403CP1)" in listed.out
    for name in names:
        assert bandgate("schemas", "remove", name, "--data", data).out == f"removed {name}\n"
    empty = bandgate("schemas", "list", "--data", data, "--json")
    assert (empty.status, empty.document) == (0, {"registered": []})


def test_a_zip_file_is_taken_and_a_newer_one_counts(bandgate: Bandgate, tmp_path: Path) -> None:
    zipped(tmp_path / "a.zip", {f"NEMSIS/XSD/{name}": data for name, data in XSDS_351.items()})
    for _ in range(2):
        said = bandgate("schemas", "add", tmp_path / "a.zip", "--data", tmp_path / "data")
        assert (said.status, said.out) == (0, "EMSDataSet-3.5.1: schema of EMSDataSet 3.5.1\n")


#: A rule whose test is no expression, which only the processor sees.
BROKEN = rule_file("3.5.1.250403CP1_x", refuse("[ERROR]", "x").replace("not(", "not(("))


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"a.txt": b""}, "name the official NEMSIS files"),
        ({**XSDS_351, "a.sch": b"<a/>"}, "a.sch:1: not an ISO Schematron schema"),
        ({**XSDS_351, "a.sch": BROKEN}, "cannot be used"),
        ({**XSDS_351, "a.sch": rule_file("3.5.1.1_x", refuse("bad", "x"))}, "role"),
        ({**XSDS_351, "../a.xsd": b""}, "written elsewhere"),
        ({"EMSDataSet_v3.xsd": XSDS["EMSDataSet_v3.xsd"]}, "commonTypes_v3.xsd is not beside it"),
    ],
)  # fmt: skip
def test_one_bad_file_and_nothing_is_registered(
    bandgate: Bandgate, tmp_path: Path, files: dict[str, bytes], said: str
) -> None:
    told = bandgate("schemas", "add", zipped(tmp_path / "a.zip", files), "--data", tmp_path / "data", "--json")
    assert (told.status, told.out, len(told.faults)) == (2, "", 1)
    assert said in told.faults[0]
    assert bandgate("schemas", "list", "--data", tmp_path / "data", "--json").document == {"registered": []}


def test_a_version_that_no_file_says_is_asked_for(bandgate: Bandgate, tmp_path: Path) -> None:
    zipped(tmp_path / "a.zip", {"a.sch": rule_file("of Yarrowfen")})
    told = bandgate("schemas", "add", tmp_path / "a.zip", "--data", tmp_path / "data")
    assert told.status == 2
    assert "name it with --version" in told.faults[0]
    told = bandgate("schemas", "add", tmp_path / "a.zip", "--data", tmp_path / "data", "--version", "latest")
    assert (told.status, told.faults) == (2, ["--version latest: not a version of the standard: write it as 3.5.1"])
    told = bandgate("schemas", "add", tmp_path / "a.zip", "--data", tmp_path / "data", "--version", "3.5.0")
    assert told.out.startswith("EMSDataSet-3.5.0-rules-of-yarrowfen: rules of EMSDataSet 3.5.0")


def test_what_is_not_there_is_told(bandgate: Bandgate, tmp_path: Path) -> None:
    told = bandgate("schemas", "remove", "EMSDataSet-3.5.1", "--data", tmp_path)
    assert (told.status, told.faults) == (2, ["EMSDataSet-3.5.1: no such set: nothing is registered"])
    assert bandgate("schemas", "list", "--data", tmp_path).status == 0
    (tmp_path / "file").write_text("")
    told = bandgate("schemas", "add", zipped(tmp_path / "a.zip", {"a.sch": RULES}), "--data", tmp_path / "file")
    assert (told.status, len(told.faults)) == (2, 1)


def test_check_uses_what_is_registered(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(data_set(header(report(number="H"))))
    without = bandgate("check", tmp_path / "a.xml", "--data", tmp_path / "data", "--json")
    assert "not held against the schema" in without.err
    bandgate("schemas", "add", zipped(tmp_path / "a.zip", XSDS_351), "--data", tmp_path / "data")
    told = bandgate("check", tmp_path / "a.xml", "--data", tmp_path / "data", "--json")
    assert told.status == 1
    assert "not held against the schema" not in told.err
    (found,) = [each for each in told.document["files"][0]["findings"] if each["code"] == "report-schema"]
    assert found["message"] == "eRecord.01 is too short: 3"
