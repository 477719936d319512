"""The bytes of one care-report submission, from a sender nobody vetted, before an XML parser sees them.

The rules of this file:

* The size is bounded while the bytes come, not after.
* No DOCTYPE passes, so no entity is ever declared: it could only stand before the root element, and nothing
  is handed on until the root element has been seen there.
* Markup cannot hide in an encoding: UTF-16 becomes UTF-8, and other encodings pass only if every ASCII
  character is its own byte in them.
"""

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from gateway.errors import TooLarge, UnreadableMessage
from gateway.findings import FINDINGS

PIECE = 256 * 1024  # bytes handed to the parser at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much one submission may be.

    `size` counts bytes as they come; `opening` those before the root element; `marks` the `<` and `=` within
    one report, which bound the nodes and so the memory it takes (some 100 bytes each; a real one has 5,000).
    """

    size: int = 100_000_000
    opening: int = 64 * 1024
    marks: int = 1_000_000


USUAL = Limits()


class Readable(Protocol):
    """What a payload may be read from: an open file, a request's body."""

    def read(self, size: int, /) -> bytes:
        """Give back up to `size` bytes, none at the end."""
        ...


def payload(source: bytes | Readable, limits: Limits, root: str = "EMSDataSet") -> Iterator[bytes]:
    """Give back the bytes, once it is certain that they begin an EMS data set, or another one by its root element.

    They are in the encoding that their declaration names, or UTF-8 without one. Raises `TooLarge`, and
    `UnreadableMessage` with `report-encoding`, `report-doctype`, `report-root` or `report-xml`.
    """
    return _opened(_bounded(_pieces(source), limits), limits, root.encode())


def refused(
    code: str, *, path: str = "", line: int | None = None, message: str | None = None, remedy: str | None = None
) -> UnreadableMessage:
    """Give back the error for one of the findings about care reports; `message` and `remedy` replace its own."""
    entry = FINDINGS[code]
    return UnreadableMessage(message or entry.message, code=code, path=path, line=line, remedy=remedy or entry.remedy)


def not_the_root(root: str, line: int | None) -> UnreadableMessage:
    """Give back the error for a file whose root element is not the one asked for."""
    if root == "EMSDataSet":
        return refused("report-root", line=line)
    remedy = "export the agency demographics; care reports go as data schema 61"
    return refused("report-root", line=line, message=f"not a NEMSIS {root}", remedy=remedy)


def too_large(message: str) -> TooLarge:
    """Give back the error for what is over a limit."""
    return TooLarge(message, code="report-too-large", remedy=FINDINGS["report-too-large"].remedy)


def _pieces(source: bytes | Readable) -> Iterator[bytes]:
    """The bytes in pieces of one size, however few a read gives: what begins a file is judged by its first piece."""
    if isinstance(source, bytes):
        for start in range(0, len(source), PIECE):
            yield source[start : start + PIECE]
        return
    gathered = bytearray()
    while read := source.read(PIECE):
        gathered += read
        if len(gathered) >= PIECE:
            yield bytes(gathered)
            gathered.clear()
    yield bytes(gathered)


def _bounded(pieces: Iterator[bytes], limits: Limits) -> Iterator[bytes]:
    size = 0
    for piece in pieces:
        size += len(piece)
        if size > limits.size:
            raise too_large("larger than the limit for one submission")
        yield piece


#: What may stand before the root element: declaration, comments, processing instructions (XML 1.0, 2.8).
_OPENING = re.compile(rb"(?:\xef\xbb\xbf)?(?:\s++|<\?.*?\?>|<!--[^-]*+(?:-(?!->)[^-]*+)*+-->)*+", re.DOTALL)
_ROOT_NAME = re.compile(rb"<(?:[^\s<>/:]+:)?([^\s<>/:]+)[\s/>]")
_DOCTYPE = b"<!DOCTYPE"
_HL7 = (b"MSH|", b"FHS|", b"BHS|")  # how a message and a batch begin (HL7 v2, 2.5.3 and 2.10.3), as usually delimited
_ENCODING = re.compile(rb"""(?:\xef\xbb\xbf)?<\?xml[^>]*?\sencoding\s*=\s*["']([^"']*)["']""")

#: Encodings in which every ASCII character is its own byte, so that markup cannot hide from the search for a
#: DOCTYPE. UTF-16 is turned into UTF-8 before; anything else is refused.
_PLAIN_ENCODING = re.compile(rb"utf-?8|us-ascii|ascii|iso-8859-\d\d?|latin-?1|windows-125\d|cp125\d", re.IGNORECASE)
_DECLARATION = re.compile(r"\A\ufeff?<\?xml\s.*?\?>", re.DOTALL)
_UTF_16 = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"<\0": "utf-16-le", b"\0<": "utf-16-be"}


def _opened(pieces: Iterator[bytes], limits: Limits, root: bytes) -> Iterator[bytes]:
    """Hold the pieces back until it is certain that the data set begins, without document type."""
    pieces = _in_plain_encoding(pieces)
    opening = b""
    for piece in pieces:
        opening += piece
        if _begins_data_set(opening, root):
            yield opening
            yield from pieces
            return
        if len(opening) > limits.opening:
            raise refused("report-root", message="no root element where one would begin")
    raise _no_xml(opening)


def _no_xml(data: bytes) -> UnreadableMessage:
    """The error for what has no root element, which is often another kind of file in the wrong place."""
    begins = data.lstrip(b"\xef\xbb\xbf\x0b \t\r\n")
    if not begins:
        return refused("report-xml", message="empty: nothing is in it", remedy="export it again")
    if begins.startswith(_HL7):
        message = "HL7 v2, where care reports are wanted"
        return refused("report-xml", message=message, remedy="send it where a feed of admissions sends")
    return refused("report-xml")


def _begins_data_set(opening: bytes, root: bytes) -> bool:
    """Whether the root element is the one asked for; False while it cannot be told. Raises what rules it out."""
    match = _OPENING.match(opening)
    assert match is not None, "the pattern matches nothing at the least"
    rest = opening[match.end() : match.end() + 4096]
    if rest.startswith(_DOCTYPE):
        raise refused("report-doctype", line=opening.count(b"\n", 0, match.end()) + 1)
    name = _ROOT_NAME.match(rest)
    if name is None:
        return False
    if name.group(1) != root:
        raise not_the_root(root.decode(), line=opening.count(b"\n", 0, match.end()) + 1)
    declared = _ENCODING.match(opening)
    if declared and not _PLAIN_ENCODING.fullmatch(declared.group(1)):
        raise refused("report-encoding", line=1)
    return True


def _in_plain_encoding(pieces: Iterator[bytes]) -> Iterator[bytes]:
    first = next(pieces, b"")
    encoding = _UTF_16.get(first[:2])
    if encoding:
        yield from _in_utf_8(first, pieces, encoding)
    else:
        yield first
        yield from pieces


def _in_utf_8(first: bytes, pieces: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    """Turn UTF-16 into UTF-8, which needs no declaration (XML 1.0, 4.3.3)."""
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        yield _DECLARATION.sub("", decoder.decode(first)).encode()
        for piece in pieces:
            yield decoder.decode(piece).encode()
        decoder.decode(b"", final=True)
    except UnicodeError:
        raise refused("report-xml", message="the bytes are not in the encoding they claim") from None
