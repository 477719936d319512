"""The payload of a SOAP message, cut out byte for byte by the positions of the parser that reads the message.

The parser tells where the payload's root begins, and where whatever comes behind it does; all between is the payload,
white space and comments included. Only what the parser has not come to yet is held. A prefix that was declared around
the root is declared on the root, since the payload has to stand alone; the envelope's own are none of its business.
"""

import re
from xml.parsers import expat
from xml.sax.saxutils import quoteattr

from gateway.adapters.report_service import ENVELOPE, SERVICE

_ROOT_NAME = re.compile(rb"<[^\s/>]+")
_NOT_NEEDED = frozenset({ENVELOPE, SERVICE})  # namespaces that no payload is in


class PayloadCut:
    """The bytes that `parser` has not come to yet, and where among all bytes of the message the payload stands."""

    def __init__(self, parser: expat.XMLParserType) -> None:
        self._parser = parser
        self._window = bytearray()  # from the byte `_base` of the message on
        self._base = 0
        self._head = b""  # what stands in place of the name of the root
        self._first = self._next = 0  # bytes of the payload: its first, and the first not given back yet
        self._last: int | None = None  # the byte behind it
        self._within = self._waits_for_end = False
        self._declared: dict[str | None, list[str | None]] = {}
        self._fresh: set[str | None] = set()  # prefixes that the element about to begin declares itself

    @property
    def given(self) -> int:
        """How many bytes of the payload have been given back."""
        return self._next - self._first

    @property
    def around(self) -> int:
        """How many bytes were not of the payload."""
        return self._base - self.given

    @property
    def unread(self) -> int:
        """How many bytes the parser holds back, because what they begin is not complete."""
        return len(self._window)

    def declare(self, prefix: str | None, namespace: str | None) -> None:
        """Note a declaration of the element that begins next."""
        self._declared.setdefault(prefix, []).append(namespace)
        self._fresh.add(prefix)

    def undeclare(self, prefix: str | None) -> None:
        """Forget a declaration of the element that has ended."""
        self._declared[prefix].pop()

    def settle_declared(self) -> None:
        """Note that the element has begun."""
        self._fresh.clear()

    def add(self, data: bytes) -> None:
        """Take bytes that the parser will be given next."""
        self._window += data

    def begin(self) -> None:
        """Note that the element that begins here is the payload."""
        self._first = self._parser.CurrentByteIndex
        name = _ROOT_NAME.match(self._window, self._first - self._base)
        assert name is not None, "the parser stands at a start tag"
        self._head = name.group() + self._declarations()
        self._next = self._base + name.end()
        self._within = True

    def end(self) -> None:
        """Note that the payload's root has ended: whatever comes next is not of the payload."""
        self._waits_for_end = True

    def note_end(self) -> None:
        """Note where the payload has ended, if it was about to."""
        if self._waits_for_end:
            self._last, self._waits_for_end = self._parser.CurrentByteIndex, False

    def take(self) -> bytes:
        """Give back what of the payload is certain, and forget all that the parser has read."""
        read = max(self._parser.CurrentByteIndex, self._base)
        payload = b""
        if self._within:
            upto = read if self._last is None else self._last
            payload = self._head + bytes(self._window[self._next - self._base : upto - self._base])
            self._next, self._head = upto, b""
            self._within = self._last is None
        del self._window[: read - self._base]
        self._base = read
        return payload

    def _declarations(self) -> bytes:
        """What is declared around the root and not by it, as it has to be declared by it."""
        around = {
            prefix: namespaces[-1]
            for prefix, namespaces in self._declared.items()
            if namespaces and prefix not in self._fresh and namespaces[-1] not in _NOT_NEEDED
        }
        names = {prefix: f"xmlns:{prefix}" if prefix else "xmlns" for prefix in around}
        return "".join(f" {names[prefix]}={quoteattr(uri or '')}" for prefix, uri in around.items()).encode()
