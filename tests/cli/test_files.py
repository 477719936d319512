"""Files and folders as the reading commands take them."""

from pathlib import Path

import pytest

from gateway.cli.files import READABLE, read_files
from gateway.errors import UsageFault


def test_files_come_as_named_and_folders_by_name(tmp_path: Path) -> None:
    for name in ("b.xml", "a.hl7", "sub/c.TXT", "skip.md"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(name.encode())
    found = [(path.name, data) for path, data in read_files([tmp_path / "skip.md", tmp_path])]
    assert found == [("skip.md", b"skip.md"), ("a.hl7", b"a.hl7"), ("b.xml", b"b.xml"), ("c.TXT", b"sub/c.TXT")]
    assert {".xml", ".hl7"} <= READABLE


def test_files_are_read_one_at_a_time(tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"a")
    found = read_files([tmp_path / "a.xml", tmp_path / "nothing"])
    assert next(found)[1] == b"a"
    with pytest.raises(UsageFault, match="nothing: cannot be read: No such file or directory"):
        next(found)


def test_an_empty_folder_is_a_mistake_of_the_caller(tmp_path: Path) -> None:
    with pytest.raises(UsageFault, match=r"no \.xml or \.hl7 file in this folder"):
        next(read_files([tmp_path]))
