"""Files of HL7 v2 messages: one message, several one after the other, or a batch (2.9.2), of any size.

A file is cut where a message begins, and held is one message at a time. What stands between messages and belongs
to none is a piece of its own, so that reading it says what is wrong with it; the envelope of a batch is left out.
"""

import re
from collections.abc import Iterator
from itertools import pairwise

from gateway.adapters.er7 import split_batch, trim
from gateway.adapters.report_payload import Readable
from gateway.errors import TooLarge

PIECE = 256 * 1024  # bytes read at once
_BEGINS = re.compile(rb"(?:\A|[\r\n\x0b\x1c])[\s\x0b\x1c\xef\xbb\xbf]*+(?=MSH[^A-Za-z0-9\s])")
_OVERLAP = 1024  # bytes searched again, since a message may begin where two pieces meet
#: Trailers without fields, which are all optional: `split_batch` knows an envelope by its first separator.
_BARE = re.compile(rb"(?:(?:\A|(?<=[\r\n]))(?:BTS|FTS)\s*)+\Z")
_LINES_AFTER = re.compile(rb"(?<![\r\n])(\r\n|\r|\n)[\r\n]*\Z")


def messages_in(source: Readable, *, limit: int) -> Iterator[bytes]:
    """Give back the messages of a file, without framing bytes and blank lines around them.

    Raises `TooLarge` where one is larger than `limit` bytes; those before it have been given back by then.
    """
    held, searched = b"", 0
    while read := source.read(PIECE):
        held += read
        *whole, rest = _cut(held, searched)
        for piece in whole:
            yield from _messages(piece, limit)
        held, searched = rest, max(0, len(rest) - _OVERLAP)
        if len(held) > limit + PIECE:
            raise _too_large()
    yield from _messages(held, limit)


def _cut(data: bytes, searched: int) -> list[bytes]:
    """Cut before each message; the last piece may go on."""
    starts = [0, *(at for match in _BEGINS.finditer(data, searched) if (at := match.end())), len(data)]
    return [data[start:end] for start, end in pairwise(starts)]


def _messages(piece: bytes, limit: int) -> Iterator[bytes]:
    """The message that a piece is, the rest of an envelope behind it apart; nothing where it is blank."""
    for part in split_batch(piece):
        message = _LINES_AFTER.sub(rb"\1", trim(_BARE.sub(b"", part))[0])
        if len(message) > limit:
            raise _too_large()
        if message:
            yield message


def _too_large() -> TooLarge:
    return TooLarge("larger than this gateway takes", code="payload-too-large", remedy="send it without documents")
