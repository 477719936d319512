"""What is written beside a file: a sentence, then places and remedies; valid JSON whatever the file was called."""

import json
import os

from hypothesis import given
from hypothesis import strategies as st

from gateway.doors.folder_results import (
    FileOutcome,
    Item,
    document_of,
    finding_of,
    result_of,
    result_of_fault,
    unreadable,
)
from gateway.errors import TooLarge, UnreadableMessage
from gateway.findings import finding
from gateway.records import Level, Stage
from tests.working import START

FAULT = UnreadableMessage("not well-formed XML", code="report-xml", line=7, remedy="export the file again")
SLIP = finding("band-check", path="PID-3[2].1", line=3)
NOTE = finding("hl7-line-ends")


def told(*items: Item, stage: Stage = Stage.LIVE, name: str = "night.xml") -> dict[str, object]:
    document = document_of(result_of(items, "care report"), name=name, feed="f", stage=stage, taken=START)
    found: dict[str, object] = json.loads(document)
    return found


def test_a_kept_file_says_how_many_and_what_is_to_be_mended() -> None:
    document = told(Item("a", "kept", (NOTE,)), Item("b", "kept", (SLIP, NOTE)), Item("c", "updated"))
    assert document["says"] == "Of 3: 2 kept, 1 updated; 1 with something to mend."
    assert document["outcome"] == "kept"
    assert document["records"][1] == {  # type: ignore[index]
        "id": "b",
        "outcome": "kept",
        "findings": [
            {
                "level": "error",
                "code": "band-check",
                "path": "PID-3[2].1",
                "line": 3,
                "message": SLIP.message,
                "remedy": SLIP.remedy,
            },
            {"level": "note", "code": "hl7-line-ends", "message": NOTE.message, "remedy": NOTE.remedy},
        ],
    }


def test_a_feed_on_trial_is_told_that_nothing_counts() -> None:
    assert "on trial: none of it counts" in str(told(Item("a", "kept"), stage=Stage.TRIAL)["says"])


def test_what_is_refused_says_why_and_what_to_do() -> None:
    document = json.loads(document_of(result_of_fault(FAULT), name="x", feed="f", stage=Stage.LIVE, taken=START))
    assert document["says"] == "Nothing was kept: not well-formed XML; export the file again."
    assert (document["outcome"], document["findings"][0]["line"]) == ("refused", 7)


def test_the_outcome_is_that_of_all_messages_together() -> None:
    good, bad = Item("a", "kept"), Item("", "refused", (finding_of(FAULT),), is_refused=True)
    assert result_of([good, good], "x").outcome is FileOutcome.KEPT
    assert result_of([good, bad], "x").outcome is FileOutcome.PARTLY
    assert result_of([bad, bad], "x").outcome is FileOutcome.REFUSED
    assert [each.code for each in result_of([], "care report").findings] == ["file-empty"]


def test_a_fault_is_told_as_a_finding_with_its_place() -> None:
    fault = TooLarge("larger than this gateway takes", code="payload-too-large", remedy="send fewer", path="/a", line=2)
    found = finding_of(fault)
    assert (found.level, found.code, found.path, found.line) == (Level.ERROR, "payload-too-large", "/a", 2)
    assert unreadable("Permission denied").findings[0].message == "cannot be opened: Permission denied"


@given(st.binary(min_size=1, max_size=40))
def test_any_name_of_a_file_gives_a_readable_document(name: bytes) -> None:
    """File names are bytes (POSIX.1-2017, 3.170); JSON is Unicode (RFC 8259, 8.1)."""
    assert told(Item("a", "kept"), name=os.fsdecode(name))["outcome"] == "kept"
