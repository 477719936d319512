"""The official schemas: where they are found, and what is said when they are not."""

from pathlib import Path

import pytest

from gateway.errors import UsageFault
from gateway.schemas import ENTRY, load_schema
from tests.fixtures.committed import SHARED, needs_standards
from tests.permissions import needs_permissions, nobody


@needs_standards
def test_the_published_schema_is_found_by_its_folder() -> None:
    """The NEMSIS 3.5.1 XSD; its entry point has the same name in every release of version 3."""
    assert load_schema(SHARED / "nemsis" / "xsd") is not None


def test_a_folder_without_the_entry_point_is_refused(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nothing"):
        with pytest.raises(UsageFault, match=f"no {ENTRY} here"):
            load_schema(folder)


@pytest.mark.parametrize(
    "text", ["", "no XML", "<a/>", '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>']
)
def test_what_is_no_schema_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / ENTRY).write_text(text)
    with pytest.raises(UsageFault, match="not a usable XML Schema"):
        load_schema(tmp_path)


@needs_permissions
@pytest.mark.parametrize("closed", [".", ENTRY])
def test_what_may_not_be_read_is_told_as_such(tmp_path: Path, closed: str) -> None:
    (tmp_path / ENTRY).write_text("<a/>")
    (tmp_path / closed).chmod(0)
    with nobody(), pytest.raises(UsageFault, match="may not be read: let the user"):
        load_schema(tmp_path)
