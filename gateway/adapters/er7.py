"""HL7 v2 messages in ER7 encoding: read, and addressed by position.

The idea: a message is text that is cut only where somebody looks. `read` checks the header, splits the
segments and stops; a segment splits into fields when its first field is asked for. Nothing is guessed,
renumbered or dropped, so what was read can be written again.

The rules (HL7 v2, edition 2.9.1, chapter 2):

* Every segment ends in CR. LF and CRLF are read as CR, blank lines are left out; both are noted (2.5.2).
* Positions count from 1. MSH-1 is the separator itself, MSH-2 is never split nor unescaped (MSH-1, MSH-2).
* A line that starts with no segment name stays in its place as a junk line, and is noted: it is the
  rest of a field that had a line end in it.
* A message whose header cannot be trusted is refused, as is a text of which half is no segment.
"""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple, Self

import msgspec

from gateway.adapters.er7_text import (
    CODECS,
    NULL,
    NULL_TEXT,
    Decoded,
    Delimiters,
    Value,
    decode,
    read_delimiters,
)
from gateway.errors import TooLarge, UnreadableMessage
from gateway.findings import finding
from gateway.records import Finding

#: Segments whose field 1 is the separator and field 2 the encoding characters.
HEADERS: Final = frozenset({"MSH", "BHS", "FHS"})
#: Segments that enclose batches and files (2.9.2).
ENVELOPES: Final = frozenset({"FHS", "BHS", "BTS", "FTS"})

# Far beyond any message of the standard, near enough to keep a hostile one from filling the memory.
SEGMENT_LIMIT: Final = 100_000
FIELD_LIMIT: Final = 1_000

#: Header fields that a message may not lack unless the feed says so: place, code, words.
REQUIRED: Final[dict[int, tuple[str, str]]] = {
    9: ("no-message-type", "MSH-9 names no message type"),
    10: ("no-control-id", "MSH-10 is empty, so the message cannot be acknowledged"),
    12: ("no-version", "MSH-12 names no version"),
}

_BLANK = b" \t\r\n\0"
_FRAMING = b"\x0b\x1c"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_TAIL = re.compile(rb"([ \t]*)[\x0b\x1c\0]*([\r\n]*).*", re.DOTALL)
_CONTROLS = bytes(set(range(0x20)) - {0x09, 0x0A, 0x0D}) + b"\x7f"  # no place in a message (MLLP release 1)
# A run of line ends and blanks is taken in one step, whatever follows it, so that no run is searched twice.
_CUT = re.compile(rb"(?:\A|[\r\n\x0b\x1c])[\s\x0b\x1c\xef\xbb\xbf]*(?:(MSH|FHS|BHS|BTS|FTS)(?=[^A-Za-z0-9\s]))?")


# ── positions ──────────────────────────────────────────────────────────────────────────────────────

_POSITION = re.compile(
    r"([A-Z][A-Z0-9]{2})(?:\[([1-9]\d{0,4})\])?"
    r"(?:-([1-9]\d{0,3})(?:\[([1-9]\d{0,4})\])?(?:\.([1-9]\d{0,3})(?:\.([1-9]\d{0,3}))?)?)?",
    re.ASCII,
)


class Position(NamedTuple):
    """A place in a message: `segment[occurrence]-field[repetition].component.subcomponent`, all from 1.

    An occurrence or repetition of 1 is left out when printed; None means the whole.
    """

    segment: str
    field: int | None = None
    component: int | None = None
    subcomponent: int | None = None
    repetition: int = 1
    occurrence: int = 1

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read `PID-3[2].4.1`, `OBX[2]-5` or `PV1`. Raises `ValueError` for anything else."""
        match = _POSITION.fullmatch(text)
        if match is None:
            raise ValueError("not a position such as PID-3[2].4.1")
        segment, *numbers = match.groups()
        occurrence, field, repetition, component, subcomponent = (int(n) if n else None for n in numbers)
        return cls(segment, field, component, subcomponent, repetition or 1, occurrence or 1)

    def __str__(self) -> str:
        text = self.segment if self.occurrence == 1 else f"{self.segment}[{self.occurrence}]"
        if self.field is not None:
            text += f"-{self.field}" if self.repetition == 1 else f"-{self.field}[{self.repetition}]"
        return ".".join([text, *(str(n) for n in (self.component, self.subcomponent) if n is not None)])


# ── the message ────────────────────────────────────────────────────────────────────────────────────


class Segment:
    """One line of a message; `name` is empty for a junk line, `line` counts from 1."""

    __slots__ = ("_fields", "delimiters", "line", "name", "text")

    def __init__(self, name: str, line: int, text: str, delimiters: Delimiters) -> None:
        self.name = name
        self.line = line
        self.text = text
        self.delimiters = delimiters
        self._fields: list[str] | None = None

    def __repr__(self) -> str:
        return f"Segment({self.name or 'junk'}, line {self.line})"

    @property
    def fields(self) -> Sequence[str]:
        """The raw fields by their number; index 0 is the segment's name.

        Fields beyond `FIELD_LIMIT`, which no segment of the standard has, stay together in the last.
        """
        if self._fields is None:
            self._fields = self.text.split(self.delimiters.field, FIELD_LIMIT)
            if self.name in HEADERS:
                self._fields.insert(1, self.delimiters.field)
        return self._fields

    def field(self, number: int) -> str:
        """Give back the raw text of a field, escapes and all; "" when it is not populated."""
        fields = self._fields or self.fields
        return fields[number] if number < len(fields) else ""

    def repetitions(self, number: int) -> list[str]:
        """Give back the raw text of each repetition of a field; none when it is not populated."""
        text = self.field(number)
        if not text:
            return []
        return [text] if self._is_whole(number) else self.delimiters.repetitions(text)

    def value(self, field: int, component: int = 1, subcomponent: int = 1, *, repetition: int = 1) -> Value:
        """Give back one unescaped value, `NULL` for the delete indicator, None when it is not populated.

        What is left out is 1; see `Delimiters.part` for why.
        """
        text = self.field(field)
        if not text:
            return None
        if field <= 2 and self._is_whole(field):
            return text if repetition == component == subcomponent == 1 else None
        delimiters = self.delimiters
        if repetition > 1 or delimiters.repetition in text:
            text = delimiters.nth_repetition(text, repetition)
        return delimiters.part(text, component, subcomponent)

    def said(self, field: int, component: int = 1) -> str:
        """Give back one value as bare text, where nothing can be deleted: "" for the delete indicator too."""
        raw = self.field(field)
        if not raw or (component == 1 and raw.isalnum()):
            return raw
        value = self.value(field, component)
        return value.strip() if isinstance(value, str) else ""

    def _is_whole(self, number: int) -> bool:
        return number <= 2 and self.name in HEADERS


class Message(msgspec.Struct, frozen=True, repr_omit_defaults=True):
    """A readable message: its segments in order, junk lines among them.

    `raw` is what came in; `text` the same without edge bytes, decoded with `codec`, every line end a CR.
    """

    raw: bytes
    text: str
    codec: str
    delimiters: Delimiters
    lines: tuple[Segment, ...]
    named: dict[str, list[Segment]]
    notes: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        return f"Message({len(self.lines)} lines, {len(self.raw)} bytes)"

    @property
    def header(self) -> Segment:
        """MSH."""
        return self.lines[0]

    def segments(self, name: str) -> Sequence[Segment]:
        """Give back all segments of that name, in order."""
        return self.named.get(name, ())

    def find_segment(self, name: str, occurrence: int = 1) -> Segment | None:
        """Give back the n-th segment of that name, or None."""
        found = self.named.get(name, ())
        return found[occurrence - 1] if occurrence <= len(found) else None

    def value(self, position: Position) -> Value:
        """Give back the unescaped value at a position with a field; parts left out are the first."""
        segment = self.find_segment(position.segment, position.occurrence)
        if segment is None or position.field is None:
            return None
        component, subcomponent = position.component or 1, position.subcomponent or 1
        return segment.value(position.field, component, subcomponent, repetition=position.repetition)

    def formatted(self, position: Position) -> Value:
        """Give back a whole repetition as formatted text (TX, FT): separators stay, layout becomes line ends.

        Free text is taken whole because senders forget to escape delimiters in it (common practice).
        """
        segment = self.find_segment(position.segment, position.occurrence)
        parts = segment.repetitions(position.field) if segment and position.field else []
        if position.repetition > len(parts):
            return None
        text = parts[position.repetition - 1]
        if text == NULL_TEXT:
            return NULL
        return self.delimiters.unescape_formatted(text, codec=self.codec) or None


# ── reading ────────────────────────────────────────────────────────────────────────────────────────


def read(data: bytes, *, fallback: str = "cp1252", may_lack: Collection[int] = ()) -> Message:
    """Give back the message in `data`, with notes on what had to be tolerated.

    `fallback` is the codec of the feed for bytes that are neither what MSH-18 says nor UTF-8; `may_lack`
    are the fields of `REQUIRED` this feed may leave empty. Raises `UnreadableMessage` when the header
    cannot be trusted, when there is more than one message, or when it is no text of segments; `TooLarge`
    for more segments than any message has. Raises nothing else, whatever the bytes.
    """
    body, is_trimmed = trim(data)
    if not body.startswith(b"MSH"):
        raise _no_header(body)
    if b"\0" in body:
        raise UnreadableMessage(
            "holds zero bytes, so it is no text", code="binary", hl7_code="102", remedy="send it as text"
        )
    decoded = _decode(body, fallback)
    text = decoded.text.replace("\r\n", "\r").replace("\n", "\r") if b"\n" in body else decoded.text
    if text.count("\r") > SEGMENT_LIMIT:
        raise TooLarge(
            "more segments than any message has", code="too-many-segments", hl7_code="104", remedy="send less at once"
        )
    delimiters = _check_header(text.partition("\r")[0], may_lack)
    lines, named, is_gapped = _split(text, delimiters)
    _check_lines(lines, named)
    codes = [
        "hl7-edge-bytes" if is_trimmed else "",
        "hl7-line-ends" if b"\n" in body else "",
        "hl7-blank-line" if is_gapped else "",
        "" if ENVELOPES.isdisjoint(named) else "hl7-envelope",
        "hl7-control-characters" if _has_controls(body, decoded.codec) else "",
    ]
    notes = [finding(code) for code in codes if code]
    notes += [finding(code, path="MSH-18", line=1) for code in decoded.findings]
    notes += _note_delimiters(delimiters) + _note_junk(named)
    return Message(data, text, decoded.codec, delimiters, lines, named, tuple(notes))


def trim(data: bytes) -> tuple[bytes, bool]:
    """Take framing bytes, byte order marks and blanks off the edges, and tell whether there were any.

    Nothing inside changes: blanks before the last terminator belong to the last value and stay.
    """
    if data.startswith(b"MSH") and (data[-1] > 0x20 or (data[-1] == 0x0D and data[-2] > 0x20)):
        return data, False
    body = data.lstrip(_BLANK + _FRAMING)
    if body.startswith(_BYTE_ORDER_MARK):
        body = body[len(_BYTE_ORDER_MARK) :].lstrip(_BLANK + _FRAMING)
    content = body.rstrip(_BLANK + _FRAMING)
    trimmed = content + _TAIL.sub(rb"\1\2", body[len(content) :], count=1)
    return trimmed, trimmed != data


def _no_header(body: bytes) -> UnreadableMessage:
    if body[:3] in {b"FHS", b"BHS"} and any(match[1] == b"MSH" for match in _CUT.finditer(body)):
        return UnreadableMessage("a batch, not a message", code="batch", remedy="send its messages one by one")
    if body.startswith(b"<"):
        says, remedy = "XML, where HL7 v2 messages are wanted", "send it where a feed of care reports sends"
        return UnreadableMessage(says, code="no-msh", path="MSH", line=1, hl7_code="100", remedy=remedy)
    return UnreadableMessage(
        "does not start with MSH", code="no-msh", path="MSH", line=1, hl7_code="100", remedy="send MSH as first segment"
    )


def _decode(body: bytes, fallback: str) -> Decoded:
    header = body.partition(b"\r")[0].partition(b"\n")[0]
    fields = header.split(header[3:4] or b"|", 18)
    declared = ""
    if len(fields) > 17:
        declared = fields[17].partition(b"~")[0].partition(b"^")[0].decode("latin-1").strip().upper()
    if body.isascii() and b"\x1b" not in body:  # every character set of the table but ISO 2022 reads this alike
        codec = CODECS.get(declared)
        return Decoded(body.decode("ascii"), codec or "ascii", () if codec else ("hl7-charset-unknown",))
    return decode(body, declared, fallback=fallback)


def _check_header(line: str, may_lack: Collection[int]) -> Delimiters:
    fields = line[4:].split(line[3:4] or "|", 11)  # MSH-2 first
    delimiters = read_delimiters(line[3:4], fields[0])
    if len(fields) < 8:
        raise UnreadableMessage(
            "MSH ends before MSH-9", code="msh-truncated", path="MSH", line=1, hl7_code="101", remedy="send MSH whole"
        )
    for number, (code, message) in REQUIRED.items():
        text = fields[number - 2] if len(fields) > number - 2 else ""
        if not text.partition(delimiters.component)[0].strip(' "') and number not in may_lack:
            place, remedy = f"MSH-{number}", f"fill MSH-{number}"
            raise UnreadableMessage(message, code=code, path=place, line=1, hl7_code="101", remedy=remedy)
    return delimiters


def _split(text: str, delimiters: Delimiters) -> tuple[tuple[Segment, ...], dict[str, list[Segment]], bool]:
    """The segments in order and by name, and whether there were blank lines between them."""
    lines: list[Segment] = []
    named: dict[str, list[Segment]] = {}
    starts = _segment_start(delimiters.field)
    rows = text.removesuffix("\r").split("\r")
    for number, row in enumerate(rows, 1):
        name = row[:3] if starts(row) else ""
        if not name and not row.strip():
            continue
        segment = Segment(name, number, row, delimiters)
        lines.append(segment)
        if name in named:
            named[name].append(segment)
        else:
            named[name] = [segment]
    return tuple(lines), named, len(lines) < len(rows)


@lru_cache(maxsize=256)
def _segment_start(separator: str) -> Callable[[str], re.Match[str] | None]:
    """What tells a segment from a junk line: a letter, two letters or digits, then a separator or the end."""
    return re.compile(rf"[A-Z][A-Z0-9]{{2}}(?:{re.escape(separator)}|\Z)").match


def _check_lines(lines: Sequence[Segment], named: Mapping[str, Sequence[Segment]]) -> None:
    if len(named["MSH"]) > 1:
        second = named["MSH"][1].line
        raise UnreadableMessage(
            "more than one message",
            code="several-messages",
            path="MSH[2]",
            line=second,
            hl7_code="100",
            remedy="send one message a frame",
        )
    junk = named.get("", ())
    if 2 * len(junk) >= len(lines):
        raise UnreadableMessage(
            "half of the lines start with no segment name",
            code="junk-lines",
            line=junk[0].line,
            hl7_code="100",
            remedy="escape line ends inside a field",
        )


def _has_controls(body: bytes, codec: str) -> bool:
    """Control characters other than tab and line ends; ISO 2022 switches its character sets with some."""
    return len(body.translate(None, _CONTROLS)) != len(body) and not codec.startswith("iso2022")


def _note_delimiters(delimiters: Delimiters) -> list[Finding]:
    usual = delimiters.field == "|" and delimiters.encoding_characters.removesuffix("#") == "^~\\&"
    return [] if usual else [finding("hl7-delimiters", path="MSH-2", line=1)]


def _note_junk(named: Mapping[str, Sequence[Segment]]) -> list[Finding]:
    junk = named.get("", ())
    return [finding("hl7-junk-line", line=junk[0].line)] if junk else []


def split_batch(data: bytes) -> tuple[bytes, ...]:
    """Cut a file that may hold several messages into its messages; a single one comes back as it is.

    Lines of batch and file envelopes (FHS, BHS, BTS, FTS; 2.9.2) are left out. Anything that belongs to no
    message is a piece of its own, so that reading it says what is wrong with it.
    """
    cuts = [(match.start(1), match[1]) for match in _CUT.finditer(data) if match[1]]
    if len(cuts) <= 1 and all(name == b"MSH" for _, name in cuts):
        return (data,)
    starts = [0, *(start for start, _ in cuts), len(data)]
    names = [b"", *(name for _, name in cuts)]
    pieces = [data[start:end] for start, end in pairwise(starts)]
    return tuple(piece for name, cut in zip(names, pieces, strict=True) if (piece := _without_envelope(name, cut)))


def _without_envelope(name: bytes, piece: bytes) -> bytes:
    if name == b"MSH":
        return piece
    rest = re.split(rb"[\r\n]", piece, maxsplit=1)[1:] if name else [piece]
    content = b"".join(rest)
    return content if content.strip(_BLANK + _FRAMING + _BYTE_ORDER_MARK) else b""
