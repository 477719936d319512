"""Text files: what is read, and that every reason for which one cannot be read is told in one line with a remedy."""

from pathlib import Path

import pytest

from gateway.errors import ConfigurationFault
from gateway.text_files import read_text
from tests.permissions import needs_permissions, nobody


def told(path: Path) -> tuple[int | None, str]:
    with pytest.raises(ConfigurationFault) as caught:
        read_text(path)
    (fault,) = caught.value.faults
    assert fault.file == str(path)
    assert fault.remedy
    assert "Error" not in str(fault)
    return fault.line, fault.message


@pytest.mark.parametrize("data", [b"name: \xc3\xa9\r\n", b"\xef\xbb\xbfname: \xc3\xa9\r\n"])
def test_the_text_is_what_stands_in_the_file_without_a_byte_order_mark(tmp_path: Path, data: bytes) -> None:
    """The mark EF BB BF says nothing in UTF-8 but that it is UTF-8 (RFC 3629, section 6)."""
    path = tmp_path / "region.yaml"
    path.write_bytes(data)
    assert read_text(path) == "name: é\r\n"


@pytest.mark.parametrize(
    ("data", "line"), [(b"\xff\xfen\x00", 1), (b"a: b\nname: \xe9\n", 2), (b"\n\n\xc0\x80", 3), (b"a\n\xc3", 2)]
)
def test_what_is_no_utf_8_is_told_with_its_line(tmp_path: Path, data: bytes, line: int) -> None:
    path = tmp_path / "region.yaml"
    path.write_bytes(data)
    assert told(path) == (line, "not UTF-8 text")


def test_what_is_no_file_is_told_as_what_it_is(tmp_path: Path) -> None:
    assert told(tmp_path / "nothing.yaml") == (None, "there is no such file")
    assert told(tmp_path) == (None, "a folder, not a file")
    (tmp_path / "file").write_text("")
    assert told(tmp_path / "file" / "region.yaml") == (None, "there is no such file")
    assert told(tmp_path / ("x" * 300)) == (None, "cannot be read: File name too long")


@needs_permissions
def test_a_file_without_permission_is_told_as_such(tmp_path: Path) -> None:
    path = tmp_path / "region.yaml"
    path.write_text("")
    path.chmod(0)
    with nobody():
        assert told(path) == (None, "may not be read")
