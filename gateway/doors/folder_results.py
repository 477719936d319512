"""What is written beside a file from a watched folder: what became of it, record by record, and what to change.

One JSON document, indented, its first line a sentence. It names places and ids, never a value from a message.
"""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

import orjson

from gateway.errors import SenderFault
from gateway.records import Finding, Level, Stage

Document = dict[str, object]


class FileOutcome(StrEnum):
    """What became of a file."""

    KEPT = "kept"
    PARTLY = "partly-kept"  #: a file of several messages, of which some were refused
    REFUSED = "refused"


class Item(NamedTuple):
    """One message or report of a file: its id, what became of it, and what is to be said about it."""

    id: str
    outcome: str
    findings: tuple[Finding, ...] = ()
    is_refused: bool = False


class FileResult(NamedTuple):
    """What became of a file; `findings` are about the file itself."""

    outcome: FileOutcome
    items: tuple[Item, ...] = ()
    findings: tuple[Finding, ...] = ()


def result_of(items: Sequence[Item], what: str) -> FileResult:
    """Give back the result of a file that could be read; `what` it should hold is said where it holds none."""
    refused = sum(item.is_refused for item in items)
    if not items:
        return FileResult(
            FileOutcome.REFUSED, findings=(_fault("file-empty", f"no {what} in the file", "export again"),)
        )
    if refused == len(items):
        return FileResult(FileOutcome.REFUSED, tuple(items))
    return FileResult(FileOutcome.PARTLY if refused else FileOutcome.KEPT, tuple(items))


def result_of_fault(fault: SenderFault, findings: Sequence[Finding] = ()) -> FileResult:
    """Give back the result of a file that was refused as a whole."""
    return FileResult(FileOutcome.REFUSED, findings=tuple(findings) or (finding_of(fault),))


def finding_of(fault: SenderFault) -> Finding:
    """Give back a fault as a finding."""
    return Finding(
        level=Level.ERROR,
        code=fault.code,
        message=fault.message,
        remedy=fault.remedy,
        path=fault.path,
        line=fault.line,
    )


def unreadable(why: str) -> FileResult:
    """Give back the result of a file that the system does not let us read."""
    remedy = "let the gateway's user read it, and drop it again"
    return FileResult(FileOutcome.REFUSED, findings=(_fault("file-unreadable", f"cannot be opened: {why}", remedy),))


def document_of(result: FileResult, *, name: str, feed: str, stage: Stage, taken: datetime) -> bytes:
    """Give back the document; `name` is the file's as it was dropped."""
    made: Document = {
        "says": _sentence(result, stage),
        "outcome": result.outcome.value,
        "file": name.encode("utf-8", "backslashreplace").decode(),
        "feed": feed,
        "stage": stage.value,
        "taken": taken.isoformat(timespec="seconds"),
        "findings": [_finding(each) for each in result.findings],
        "records": [
            {"id": item.id, "outcome": item.outcome, "findings": [_finding(each) for each in item.findings]}
            for item in result.items
        ],
    }
    return orjson.dumps(made, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def _sentence(result: FileResult, stage: Stage) -> str:
    told = result.findings or (result.items[0].findings if result.outcome is FileOutcome.REFUSED else ())
    if told and len(result.items) <= 1:
        first = told[0]
        return f"Nothing was kept: {first.message}" + (f"; {first.remedy}." if first.remedy else ".")
    outcomes = Counter(item.outcome for item in result.items)
    counts = ", ".join(f"{number} {outcome}" for outcome, number in outcomes.items())
    faulty = sum(any(each.level is Level.ERROR for each in item.findings) for item in result.items)
    says = f"Of {len(result.items)}: {counts}; {faulty} with something to mend."
    return f"{says} The feed is on trial: none of it counts." if stage is Stage.TRIAL else says


def _fault(code: str, message: str, remedy: str) -> Finding:
    return Finding(level=Level.ERROR, code=code, message=message, remedy=remedy)


def _finding(finding: Finding) -> Document:
    told = {
        "level": finding.level.value,
        "code": finding.code,
        "path": finding.path,
        "line": finding.line,
        "message": finding.message,
        "remedy": finding.remedy,
    }
    return {name: value for name, value in told.items() if value not in ("", None)}
