"""Official files as they are handed over: recognised by what they say, and refused where they are not what they seem.

What a version has is from the NEMSIS 3.5.1 XSD and standards/nemsis.md, section 12: UUIDs came with
3.5.0, international phone numbers with 3.5.1.
"""

import contextlib
import io
import os
import stat
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import ConfigurationFault, UsageFault
from gateway.schema_files import MOST_BYTES, Kind, read_files, recognise
from tests.fixtures.committed import SHARED, needs_standards
from tests.official import RULES, XSDS, rule_file, zipped

HERE = Path("handed-over.zip")


# ── reading ────────────────────────────────────────────────────────────────────────────────────────


def test_a_folder_and_its_archive_are_the_same(tmp_path: Path) -> None:
    files = {"XSD/a.xsd": b"1", "rules/b.sch": b"2", "README.md": b"3"}
    for name, data in files.items():
        (tmp_path / "d" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "d" / name).write_bytes(data)
    found = read_files(tmp_path / "d")
    assert found == read_files(zipped(tmp_path / "a.zip", files))
    assert found.files == {"XSD/a.xsd": b"1", "rules/b.sch": b"2"}
    assert found.left_out == ("README.md",)


@pytest.mark.parametrize("name", ["../a.xsd", "/etc/a.xsd", "b/../../a.xsd", "c:\\a.xsd", "..\\a.xsd"])
def test_a_path_that_leads_elsewhere_refuses_the_archive(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageFault, match="written elsewhere"):
        read_files(zipped(tmp_path / "a.zip", {"good.xsd": b"", name: b"x"}))


def test_a_link_refuses_archive_and_folder(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "a.xsd").symlink_to("/etc/passwd")
    with pytest.raises(UsageFault, match="is a link"):
        read_files(tmp_path / "d")
    info = zipfile.ZipInfo("a.xsd")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(info, "/etc/passwd")
    with pytest.raises(UsageFault, match="is a link"):
        read_files(tmp_path / "a.zip")


def test_a_pipe_in_a_folder_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.xsd")
    with pytest.raises(UsageFault, match="no ordinary file"):
        read_files(tmp_path)


def test_a_bomb_is_refused_by_what_it_unpacks_to(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive, archive.open("a.xsd", "w") as file:
        for _ in range(MOST_BYTES // 1_000_000 + 1):
            file.write(b"\0" * 1_000_000)
    assert (tmp_path / "a.zip").stat().st_size < 1_000_000
    with pytest.raises(UsageFault, match="more than any release"):
        read_files(tmp_path / "a.zip")


def test_too_many_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageFault, match="more than any release"):
        read_files(zipped(tmp_path / "a.zip", {f"{n}.txt": b"" for n in range(5_001)}))


def test_an_encrypted_or_doubled_entry_is_refused(tmp_path: Path) -> None:
    data = bytearray(zipped(tmp_path / "a.zip", {"a.xsd": b"x"}).read_bytes())
    for header, place in ((b"PK\3\4", 6), (b"PK\1\2", 8)):  # the flags of an entry (APPNOTE.TXT 4.4.4)
        data[data.index(header) + place] |= 1
    (tmp_path / "b.zip").write_bytes(data)
    with pytest.raises(UsageFault, match="not a readable ZIP"):
        read_files(tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "c.zip", "w") as archive:
        archive.writestr("a.xsd", "1")
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("a.xsd", "2")
    with pytest.raises(UsageFault, match="there twice"):
        read_files(tmp_path / "c.zip")


def test_what_is_no_archive_or_not_there_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_text("no archive")
    with pytest.raises(UsageFault, match="not a readable ZIP"):
        read_files(tmp_path / "a.zip")
    with pytest.raises(UsageFault, match="no such file"):
        read_files(tmp_path / "nothing.zip")


@settings(max_examples=80, deadline=None)
@given(changes=st.dictionaries(st.integers(0, 150), st.integers(0, 255), min_size=1, max_size=4))
def test_a_damaged_archive_is_read_or_told(changes: dict[int, int], tmp_path_factory: pytest.TempPathFactory) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.xsd", "<schema/>" * 50)
    damaged = bytearray(packed.getvalue())
    for place, byte in changes.items():
        damaged[place % len(damaged)] = byte
    path = tmp_path_factory.mktemp("damaged") / "a.zip"
    path.write_bytes(bytes(damaged))
    with contextlib.suppress(UsageFault):  # anything else would be a traceback for the operator
        read_files(path)


# ── recognising ────────────────────────────────────────────────────────────────────────────────────


@needs_standards
def test_the_published_files_are_recognised() -> None:
    """NEMSIS 3.5.1, build 250403 CP1."""
    found = recognise(HERE, read_files(SHARED / "nemsis").files, None)
    assert [(each.name, each.kind, each.version, len(each.files)) for each in found] == [
        ("EMSDataSet-3.5.1-rules-national", Kind.RULES, "3.5.1", 1),
        ("EMSDataSet-3.5.1-rules-compliance-pretesting-2025", Kind.RULES, "3.5.1", 1),
        ("EMSDataSet-3.5.1", Kind.SCHEMA, "3.5.1", 28),
    ]


@pytest.mark.parametrize(
    ("phone", "uuid", "version"), [(r"\+[0-9]", True, "3.5.1"), ("[0-9]", True, "3.5.0"), ("[0-9]", False, "3.4.0")]
)
def test_a_version_is_told_by_what_only_it_has(phone: str, uuid: bool, version: str) -> None:
    common = XSDS["commonTypes_v3.xsd"].replace(b"PHONE", phone.encode())
    if not uuid:
        common = common.replace(b'name="UUID"', b'name="Other"')
    (found,) = recognise(HERE, {"x/EMSDataSet_v3.xsd": XSDS["EMSDataSet_v3.xsd"], "x/commonTypes_v3.xsd": common}, None)
    assert (found.name, sorted(found.files)) == (
        f"EMSDataSet-{version}", ["EMSDataSet_v3.xsd", "commonTypes_v3.xsd"],
    )  # fmt: skip


def test_files_that_nothing_includes_are_not_taken() -> None:
    (found,) = recognise(HERE, {**XSDS, "other.xsd": b"no schema"}, None)
    assert "other.xsd" not in found.files


def test_rules_are_national_or_named_by_what_follows_the_release() -> None:
    """NEMSIS V3 Schematron guide: a state's file says so behind the national version in schemaVersion."""
    two = recognise(HERE, {"a.sch": RULES, "b.sch": rule_file("3.5.1.250403CP1_Yarrowfen v2")}, None)
    assert [each.name for each in two] == ["EMSDataSet-3.5.1-rules-national", "EMSDataSet-3.5.1-rules-yarrowfen-v2"]
    (found,) = recognise(HERE, {"a.sch": rule_file("of Yarrowfen")}, "3.5.0")
    assert found.name == "EMSDataSet-3.5.0-rules-of-yarrowfen"


def including(place: bytes) -> dict[str, bytes]:
    return {**XSDS, "EMSDataSet_v3.xsd": XSDS["EMSDataSet_v3.xsd"].replace(b"commonTypes_v3", place)}


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"a.sch": b"<a/>"}, "a.sch.*not an ISO Schematron"),
        ({"a.sch": rule_file("of Yarrowfen")}, "--version"),
        ({"a.sch": RULES.replace(b"EMSDataSet", b"StateDataSet")}, "no data set we take"),
        ({"a.sch": RULES, "b.sch": RULES}, "more than once"),
        ({"EMSDataSet_v3.xsd": XSDS["EMSDataSet_v3.xsd"]}, "commonTypes_v3.xsd is not beside it"),
        ({"EMSDataSet_v3.xsd": b"<a/>"}, "not an XML Schema"),
        ({"EMSDataSet_v3.xsd": b"<"}, "not well-formed"),
        ({"EMSDataSet_v3.xsd": b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>'}, r"not \w+"),
        (including(b"../../etc/x"), "elsewhere"),
        (including(b"http://127.0.0.1/x"), "elsewhere"),
        ({**XSDS, "commonTypes_v3.xsd": b'<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema"/>'}, "which version"),
    ],
)  # fmt: skip
def test_what_is_not_what_it_seems_is_told_by_file(files: dict[str, bytes], said: str) -> None:
    with pytest.raises(ConfigurationFault, match=said) as caught:
        recognise(HERE, files, None)
    assert all(fault.file.startswith(str(HERE)) for fault in caught.value.faults)


def test_nothing_of_the_standard_is_told() -> None:
    with pytest.raises(UsageFault, match=r"no EMSDataSet_v3\.xsd or DEMDataSet_v3\.xsd"):
        recognise(HERE, {"other.xsd": b""}, None)
