"""What is sent: the messages in files, in the order in which they are to go out.

A folder is walked by name; an order file (CSV) names files in a column `file`, as seen from its own folder or
from the one above. An HL7 v2 file may hold several messages, or a batch, whose envelope is not sent. A file
that cannot be read as a message is sent as it stands all the same: to see how a receiver takes it is what it
is for.
"""

import csv
import io
import os
import re
import secrets
import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from enum import StrEnum
from pathlib import Path

from gateway.adapters.acknowledgements import salvage_header
from gateway.adapters.er7 import read, split_batch, trim
from gateway.adapters.er7_text import CODECS, Value
from gateway.errors import SenderFault, UsageFault
from gateway.replaying.ids import control_ids, report_ids, with_control_id, with_report_ids
from gateway.replaying.places import AdmissionText
from gateway.replaying.times import earliest_of_admission, earliest_of_report, shift_admission, shift_report


class Kind(StrEnum):
    """The two kinds of message there are."""

    ADMISSION = "hl7"
    REPORT = "xml"


#: What a file holds, by its suffix.
SUFFIXES = {".hl7": Kind.ADMISSION, ".txt": Kind.ADMISSION, ".xml": Kind.REPORT}

#: Codec → the name in the IANA registry of character sets.
CHARSETS = {
    "ascii": "us-ascii",
    "utf-8": "utf-8",
    **{f"iso8859-{part}": f"iso-8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
    "gb18030": "gb18030",
    "big5": "big5",
    "euc_kr": "euc-kr",
    "shift_jis": "shift_jis",
    "iso2022_jp": "iso-2022-jp",
}

_LINES_AFTER = re.compile(rb"(?<![\r\n])(\r\n|\r|\n)[\r\n]*\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One message to send; `number` counts from 1 in its file.

    `together` is equal for messages that must keep their order: the first identifier of PID-3, or the UUID of
    a care report; it is a person's data and never shown. `charset` is the IANA name of the character set,
    None when MSH-18 does not say what the bytes are. `expected` is the answer code that is wanted.
    `kept_as_is` tells that new ids or times were wanted and could not be written.
    """

    file: str
    number: int
    kind: Kind
    body: bytes
    control_id: str = ""
    together: str = ""
    charset: str | None = None
    expected: str | None = None
    kept_as_is: bool = False


# ── files ──────────────────────────────────────────────────────────────────────────────────────────


def read_messages(paths: Iterable[Path], *, expected_in: Path | None = None) -> list[Outgoing]:
    """Give back the messages in these files, folders and order files, in order.

    `expected_in` is a folder with the expected answer codes, `NAME.expected` for a file `NAME`. Raises
    `UsageFault` for a path that does not exist or holds no message.
    """
    if expected_in is not None and not expected_in.is_dir():
        raise UsageFault(f"{expected_in}: not a folder; --expect wants the folder with the .expected files")
    messages = [
        message
        for path in paths
        for file in _files(path)
        for message in _messages_in(file, _expected(file, expected_in))
    ]
    if not messages:
        raise UsageFault("no message found: give .hl7, .txt or .xml files, a folder of them, or an order file (.csv)")
    return messages


def _files(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield from (each for each in sorted(path.rglob("*")) if each.is_file() and _is_message(each))
    elif path.suffix.lower() == ".csv":
        yield from _ordered(path)
    elif path.suffix.lower() in SUFFIXES:
        yield path
    elif path.exists():
        raise UsageFault(f"{path}: holds what? Name it .hl7 or .txt (HL7 v2), .xml (care report) or .csv (order)")
    else:
        raise UsageFault(f"{path}: no such file or folder")


def _is_message(file: Path) -> bool:
    """Whether a file of a walked folder is one to send; a .txt may as well be somebody's notes."""
    suffix = file.suffix.lower()
    return suffix in SUFFIXES and (suffix != ".txt" or b"MSH" in _bytes_of(file))


def _ordered(path: Path) -> Iterator[Path]:
    try:
        rows = csv.DictReader(io.StringIO(_bytes_of(path).decode("utf-8-sig"), newline=""), strict=True)
        if "file" not in (rows.fieldnames or ()):
            raise UsageFault(f"{path}: line 1: no column named file; name the column that holds the file names so")
        for row in rows:
            yield _named_in(path, row["file"], rows.line_num)
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageFault(f"{path}: not a CSV file in UTF-8; save it as one") from error


def _named_in(order: Path, name: str | None, line: int) -> Path:
    if not name:
        raise UsageFault(f"{order}: line {line}: the column file is empty; write a file name there")
    folders = (order.parent, Path(os.path.normpath(order.parent / "..")))
    for file in (folder / name for folder in folders):
        if file.suffix.lower() in SUFFIXES and file.is_file():
            return file
    raise UsageFault(f"{order}: line {line}: {name}: not a .hl7, .txt or .xml file that exists")


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise UsageFault(f"{path}: no such file or folder") from error
    except OSError as error:
        raise UsageFault(f"{path}: cannot be read ({type(error).__name__}); check its permissions") from error


def _expected(file: Path, folder: Path | None) -> str | None:
    path = folder / f"{file.name}.expected" if folder else None
    if path is None or not path.is_file():
        return None
    code = _bytes_of(path).partition(b"\n")[0].strip().decode("ascii", "replace").upper()
    if not code.isalnum():
        raise UsageFault(f"{path}: line 1: not an answer code; write AA, AE, AR, CA, CE, CR or an HTTP status")
    return code


def _messages_in(file: Path, expected: str | None) -> Iterator[Outgoing]:
    data = _bytes_of(file)
    kind = SUFFIXES[file.suffix.lower()]
    pieces = _pieces(data) if kind is Kind.ADMISSION else (data,)
    if not any(pieces):
        raise UsageFault(f"{file}: empty; take it out, or put a message in")
    for number, body in enumerate(pieces, 1):
        message = Outgoing(file=str(file), number=number, kind=kind, body=body, expected=expected)
        yield _with_header(message)


def _pieces(data: bytes) -> tuple[bytes, ...]:
    """The messages of a file. Framing bytes are taken off: some files are what was seen on the wire.

    Blank lines between messages part them and belong to none.
    """
    pieces = split_batch(data)
    if len(pieces) == 1 and not {0x0B, 0x1C} & set(data):
        return pieces
    return tuple(body for piece in pieces if (body := _LINES_AFTER.sub(rb"\1", trim(piece)[0])))


def _with_header(message: Outgoing) -> Outgoing:
    """The same with what its header says, as far as it can be read."""
    if message.kind is Kind.REPORT:
        return replace(message, together=next(report_ids(message.body), ""))
    try:
        read_message = read(message.body, may_lack={9, 10, 12})
    except SenderFault:
        return replace(message, control_id=salvage_header(message.body).control_id)
    patient = read_message.find_segment("PID")
    identifiers = patient.repetitions(3) if patient else []
    codec, declared = read_message.codec, _text(read_message.header.value(18)).strip().upper()
    return replace(
        message,
        control_id=_text(read_message.header.value(10)),
        together=read_message.delimiters.components(identifiers[0])[0] if identifiers else "",
        charset=CHARSETS.get(codec) if CODECS.get(declared) == codec else None,
    )


def _text(value: Value) -> str:
    return value if isinstance(value, str) else ""


# ── new ids, other times ───────────────────────────────────────────────────────────────────────────


def with_fresh_ids(messages: Sequence[Outgoing], *, now: datetime) -> list[Outgoing]:
    """Give each message a new control id and each care report a new UUID, the same wherever it is named."""
    ids = control_ids(now, secrets.randbits(30))
    known = {each for message in messages if message.kind is Kind.REPORT for each in report_ids(message.body)}
    replacements = {each: str(uuid.uuid4()) for each in sorted(known)}

    def renewed(message: Outgoing) -> Outgoing:
        body = with_report_ids(message.body, replacements)
        if message.kind is Kind.REPORT or not message.control_id or not _is_writable(message):
            return _rewritten(message, body)
        control_id = next(ids)
        return _rewritten(replace(message, control_id=control_id), with_control_id(body, control_id))

    return [renewed(message) for message in messages]


def shifted_to(messages: Sequence[Outgoing], time: datetime, *, zone: tzinfo) -> list[Outgoing]:
    """Move all times of all messages so that the earliest one that dates a message becomes `time`.

    `zone` holds for times without one. Raises `UsageFault` when no message has a time, or one would leave
    the calendar.
    """
    earliest = {Kind.ADMISSION: earliest_of_admission, Kind.REPORT: earliest_of_report}
    moved = {Kind.ADMISSION: shift_admission, Kind.REPORT: shift_report}
    found = [at for message in messages if (at := earliest[message.kind](message.body, zone))]
    if not found:
        raise UsageFault("--shift-to: no message has a time (MSH-7, EVN-2, eTimes) to count from; leave it out")
    shift = time - min(found)
    return [_rewritten(message, moved[message.kind](message.body, shift, zone)) for message in messages]


def _rewritten(message: Outgoing, body: bytes) -> Outgoing:
    return replace(message, body=body, kept_as_is=message.kept_as_is or not _is_writable(message))


def _is_writable(message: Outgoing) -> bool:
    """Whether places in it can be found: a care report's are looked for as bytes, so it must not be UTF-16."""
    if message.kind is Kind.REPORT:
        return b"\0" not in message.body
    return AdmissionText.find(message.body) is not None
