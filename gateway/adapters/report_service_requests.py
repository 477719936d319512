"""Requests of the NEMSIS V3 web service, read while they come in, from senders nobody vetted.

    reader = RequestReader(Operation.SUBMIT)
    payload = reader.receive(data)      what of the payload has come for certain; `reader.credentials` once they have
    request = reader.close()            the whole request; raises what is wrong with it

The rules of this file:

* Credentials come before the payload, and whoever reads can refuse before any of it is kept.
* The payload is cut out of the message byte for byte by the parser's positions and handed on as it comes, never
  gathered. Prefixes that were declared around it are declared on its root; of the envelope's own it has no need.
* No DOCTYPE, so no entity is ever declared (SOAP 1.1, section 3, forbids it too). Depth, the length of a text and the
  size of one piece of markup are bounded, and with them what a message can cost.
* Elements of a request may stand in any order where that does no harm; additionalInfo and requestType may be absent.
"""

import codecs
import re
from enum import Enum, auto
from typing import NamedTuple
from xml.parsers import expat

from gateway.adapters.report_service import ENVELOPE, SERVICE, FaultCode, Operation, RequestFault
from gateway.adapters.report_service_payload import PayloadCut
from gateway.errors import TooLarge
from gateway.findings import FINDINGS

DEEPEST = 250  # elements within each other; a care report has a tenth of that, and libxml2 stops at 256
LONGEST_TEXT = 64 * 1024  # characters of one parameter; additionalInfo may say anything
LARGEST_MARK = 1024 * 1024  # bytes of one tag or comment, which the parser has to hold as a whole
LARGEST_ENVELOPE = 1024 * 1024  # bytes around the payload
GATHERED = 64 * 1024  # bytes handed to the parser at once after the sign-in: a tag cut into crumbs is read once

#: Encodings of XML that are read; the message of everybody else is UTF-8, which is handed on untouched.
_ENCODINGS = frozenset({"utf-8", "ascii", "iso8859-1", "cp1252", "utf-16", "utf-16-le", "utf-16-be"})
_BYTE_ORDER = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"<\0": "utf-16-le", b"\0<": "utf-16-be"}
_DECLARED = re.compile(rb"""\s*<\?xml[^>]*?\sencoding\s*=\s*["']([^"']*)["']""")
_OPENING = 1024  # bytes within which an XML declaration ends
_SEPARATOR = " "  # between namespace and name, as expat joins them
_SOAP, _OURS = f"{ENVELOPE}{_SEPARATOR}", f"{SERVICE}{_SEPARATOR}"
_TRUE = frozenset({"1", "true"})
_FOR_US = frozenset({"", "http://schemas.xmlsoap.org/soap/actor/next"})  # SOAP 1.1, section 4.2.2

_CREDENTIALS = ("username", "password", "organization")
#: The parameters of each request (complex types of the WSDL).
FIELDS: dict[Operation, frozenset[str]] = {
    Operation.SUBMIT: frozenset({*_CREDENTIALS, "requestType", "requestDataSchema", "schemaVersion", "additionalInfo"}),
    Operation.RETRIEVE: frozenset(
        {*_CREDENTIALS, "requestType", "requestHandle", "originalRequestType", "additionalInfo"}
    ),
    Operation.LIMIT: frozenset({*_CREDENTIALS, "requestType"}),
}
LENGTHS = {"username": 100, "password": 250, "organization": 100}  #: the most characters, by the WSDL


class Credentials(NamedTuple):
    """Who asks, and for whom."""

    username: str
    password: str
    organization: str

    def __repr__(self) -> str:
        """Say nothing: a traceback may show it."""
        return "Credentials(…)"


class ServiceRequest(NamedTuple):
    """A request without its payload; a parameter that did not come is None."""

    operation: Operation
    request_type: str | None
    data_schema: str | None
    schema_version: str | None
    handle: str | None
    has_payload: bool


class RequestReader:
    """Reads one request; every method raises `RequestFault` for what is none, and `TooLarge` for its payload.

    `largest` counts bytes of the payload; `charset` is the parameter of Content-Type, which counts more than the XML
    declaration (RFC 7303, section 3.2). A reader that has raised is of no more use.
    """

    def __init__(self, operation: Operation, *, largest: int, charset: str | None = None) -> None:
        self._operation = operation
        self._largest = largest
        self._charset = charset
        self._decoder: codecs.IncrementalDecoder | None = None
        self._opening: bytes | None = b""
        self._gathered = bytearray()
        self._fields: dict[str, str] = {}
        self._text: list[str] = []
        self._depth = 0  # within the payload
        self._path = _Path(operation)
        self._parser = expat.ParserCreate("utf-8", _SEPARATOR)
        self._parser.StartDoctypeDeclHandler = _refuse_doctype
        self._cut = PayloadCut(self._parser)
        self._listen()

    @property
    def credentials(self) -> Credentials | None:
        """Who asks, once all three have come."""
        if any(name not in self._fields for name in _CREDENTIALS):
            return None
        return Credentials(*(self._fields[name] for name in _CREDENTIALS))

    def receive(self, data: bytes) -> bytes:
        """Take some bytes of the message and give back what of the payload is certain now."""
        if self._opening is not None:
            self._opening += data
            if b">" not in self._opening and len(self._opening) < _OPENING:
                return b""
            data = self._begin(self._opening)
        if self.credentials is None:
            return self._read(data)
        self._gathered += data
        return self._read_gathered() if len(self._gathered) >= GATHERED else b""

    def close(self) -> tuple[ServiceRequest, bytes]:
        """Say that nothing more comes; give back the request, and the rest of the payload."""
        rest = self._read(self._begin(self._opening)) if self._opening is not None else b""
        rest += self._read_gathered()
        self._parse(self._decode(b"", final=True), final=True)
        return self._request(), rest

    def _request(self) -> ServiceRequest:
        missing = [name for name in _CREDENTIALS if name not in self._fields]
        if missing or not self._path.has_been(_Place.REQUEST):
            what = ", ".join(missing) if self._path.has_been(_Place.REQUEST) else f"{self._operation}Request"
            raise RequestFault(f"there is no {what}", remedy="send every element that the WSDL names")
        return ServiceRequest(
            operation=self._operation,
            request_type=self._fields.get("requestType"),
            data_schema=self._fields.get("requestDataSchema"),
            schema_version=self._fields.get("schemaVersion"),
            handle=self._fields.get("requestHandle"),
            has_payload=self._path.has_been(_Place.PAYLOAD),
        )

    # ── bytes ──────────────────────────────────────────────────────────────────────────────────

    def _begin(self, opening: bytes) -> bytes:
        """Decide about the encoding, now that the opening of the message is there."""
        self._opening = None
        codec = _codec_of(opening, self._charset)
        if codec not in _ENCODINGS:
            raise RequestFault("a character encoding that is not read", remedy="send the request in UTF-8")
        if codec not in {"utf-8", "ascii"}:
            self._decoder = codecs.getincrementaldecoder(codec)()
        return opening

    def _read_gathered(self) -> bytes:
        data, self._gathered = bytes(self._gathered), bytearray()
        return self._read(data) if data else b""

    def _read(self, data: bytes) -> bytes:
        data = self._decode(data)
        self._cut.add(data)
        self._parse(data)
        payload = self._cut.take()
        if self._cut.given > self._largest:
            raise _too_large()
        if self._cut.around > LARGEST_ENVELOPE:
            raise RequestFault("more around the payload than any request has", remedy="send the request alone")
        if self._cut.unread > LARGEST_MARK:
            raise RequestFault("one tag or comment larger than any request has", remedy="send elements as they are")
        return payload

    def _decode(self, data: bytes, *, final: bool = False) -> bytes:
        if self._decoder is None:
            return data
        try:
            return self._decoder.decode(data, final).encode()
        except UnicodeError:
            raise _malformed("the bytes are not in the encoding they claim") from None

    def _parse(self, data: bytes, *, final: bool = False) -> None:
        try:
            self._parser.Parse(data, final)
        except expat.ExpatError as error:
            raise _malformed(f"not well-formed XML (line {error.lineno})") from None

    # ── markup around the payload ──────────────────────────────────────────────────────────────

    def _listen(self) -> None:
        parser = self._parser
        parser.StartNamespaceDeclHandler = self._cut.declare
        parser.EndNamespaceDeclHandler = self._cut.undeclare
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.CommentHandler = parser.ProcessingInstructionHandler = self._anything
        parser.StartCdataSectionHandler = self._anything

    def _anything(self, *_: str) -> None:
        """Note where the payload has ended: at whatever comes next."""
        self._cut.note_end()

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._cut.note_end()
        self._text.clear()
        if self._path.enter(name, attributes) is _Place.PAYLOAD:
            self._begin_payload()
        self._cut.settle_declared()

    def _end(self, name: str) -> None:
        self._cut.note_end()
        if self._path.leave() is not _Place.FIELD:
            return
        field = name.removeprefix(_OURS)
        if field in self._fields:
            raise RequestFault(f"{field} comes twice", remedy="send every element once")
        self._fields[field] = "".join(self._text)
        if len(self._fields[field]) > LENGTHS.get(field, LONGEST_TEXT):
            raise RequestFault(f"{field} is longer than it may be", remedy="shorten it")

    def _characters(self, text: str) -> None:
        self._cut.note_end()
        if self._path.here is _Place.FIELD:
            self._text.append(text)
        elif self._path.here is not _Place.ENTRY and not text.isspace():
            raise RequestFault("text where only elements may stand", remedy="send the request as the WSDL says")

    # ── within the payload nothing is looked at but how deep it goes ───────────────────────────

    def _begin_payload(self) -> None:
        if self.credentials is None:
            remedy = "send username, password and organization first, as the WSDL says"
            raise RequestFault("the payload comes before the credentials", remedy=remedy)
        self._cut.begin()
        self._depth = 1
        parser = self._parser
        parser.StartNamespaceDeclHandler = parser.EndNamespaceDeclHandler = None
        parser.StartElementHandler, parser.EndElementHandler = self._deeper, self._higher
        parser.CharacterDataHandler = parser.StartCdataSectionHandler = None
        parser.CommentHandler = parser.ProcessingInstructionHandler = None

    def _deeper(self, name: str, attributes: dict[str, str]) -> None:
        del name, attributes
        self._depth += 1
        if self._depth > DEEPEST:
            raise RequestFault("nested deeper than any care report", remedy="export the file again")

    def _higher(self, name: str) -> None:
        del name
        self._depth -= 1
        if self._depth == 0:
            self._cut.end()
            self._path.leave()
            self._listen()


# ── where in the message ───────────────────────────────────────────────────────────────────────────


class _Place(Enum):
    """What may stand in a message."""

    DOCUMENT = auto()
    ENVELOPE = auto()
    HEADER = auto()
    ENTRY = auto()  #: of the header, with all that is in it
    BODY = auto()
    REQUEST = auto()
    FIELD = auto()
    SUBMIT_PAYLOAD = auto()
    HOLDER = auto()  #: payloadOfXmlElement
    PAYLOAD = auto()


#: What an element is, by what it stands in; the rest depends on the operation.
_BELOW = {
    (_Place.DOCUMENT, f"{_SOAP}Envelope"): _Place.ENVELOPE,
    (_Place.ENVELOPE, f"{_SOAP}Header"): _Place.HEADER,
    (_Place.ENVELOPE, f"{_SOAP}Body"): _Place.BODY,
    (_Place.SUBMIT_PAYLOAD, f"{_OURS}payloadOfXmlElement"): _Place.HOLDER,
}
_ANYTHING_BELOW = {_Place.HEADER: _Place.ENTRY, _Place.ENTRY: _Place.ENTRY, _Place.HOLDER: _Place.PAYLOAD}
_MANY = frozenset({_Place.ENTRY, _Place.FIELD})  # of all else there is one


class _Path:
    """The way from the root to where the reading stands. Raises `RequestFault` where it leads nowhere."""

    def __init__(self, operation: Operation) -> None:
        self._operation = operation
        self._below = {
            **_BELOW,
            (_Place.BODY, f"{_OURS}{operation}Request"): _Place.REQUEST,
            **{(_Place.REQUEST, f"{_OURS}{name}"): _Place.FIELD for name in FIELDS[operation]},
        }
        if operation is Operation.SUBMIT:
            self._below[_Place.REQUEST, f"{_OURS}submitPayload"] = _Place.SUBMIT_PAYLOAD
        self._way = [_Place.DOCUMENT]
        self._been: set[_Place] = set()

    @property
    def here(self) -> _Place:
        """What the reading stands in."""
        return self._way[-1]

    def has_been(self, place: _Place) -> bool:
        """Whether there was such an element."""
        return place in self._been

    def enter(self, name: str, attributes: dict[str, str]) -> _Place:
        """Go into an element, and give back what it is."""
        place = self._below.get((self.here, name)) or _ANYTHING_BELOW.get(self.here)
        if place is None:
            raise self._stranger(name)
        if place in self._been - _MANY:
            raise RequestFault("an element comes twice of which there is one", remedy="send each request by itself")
        if self.here is _Place.HEADER:
            _refuse_command(attributes)
        if self.here is _Place.ENVELOPE and place is _Place.HEADER and _Place.BODY in self._been:
            raise RequestFault("the Header stands behind the Body", remedy="send the Header first")
        self._way.append(place)
        if len(self._way) > DEEPEST:
            raise RequestFault("nested deeper than any request", remedy="send the request as the WSDL says")
        self._been.add(place)
        return place

    def leave(self) -> _Place:
        """Come out of an element, and give back what it was."""
        return self._way.pop()

    def _stranger(self, name: str) -> RequestFault:
        """What is wrong with an element that may not stand here."""
        local = name.rpartition(_SEPARATOR)[2]
        if self.here is _Place.DOCUMENT and local == "Envelope":
            remedy = f"send SOAP 1.1: an Envelope in {ENVELOPE}"
            return RequestFault("not SOAP 1.1", remedy=remedy, fault_code=FaultCode.VERSION_MISMATCH)
        if self.here is _Place.BODY and name in {f"{_OURS}{each}Request" for each in Operation}:
            remedy = f"send {self._operation}Request, or the SOAPAction of the request"
            return RequestFault("SOAPAction and request name different operations", remedy=remedy)
        if self.here is _Place.BODY:
            return RequestFault("no operation of this service", remedy="send a request that the WSDL names")
        return RequestFault("an element where the WSDL has none such", remedy="send the request as the WSDL says")


def _refuse_command(attributes: dict[str, str]) -> None:
    """Refuse a header entry that must be understood, since none is (SOAP 1.1, section 4.2.3)."""
    must = attributes.get(f"{_SOAP}mustUnderstand", "").strip() in _TRUE
    if must and attributes.get(f"{_SOAP}actor", "") in _FOR_US:
        remedy = "send the credentials in the body, and no header that must be understood"
        raise RequestFault("a header that is not understood", remedy=remedy, fault_code=FaultCode.MUST_UNDERSTAND)


# ── what else there is to say ──────────────────────────────────────────────────────────────────────


def _codec_of(opening: bytes, charset: str | None) -> str:
    """Python's name of the encoding of a message; empty for one that it does not know."""
    declared = _DECLARED.match(opening.removeprefix(codecs.BOM_UTF8))
    name = _BYTE_ORDER.get(opening[:2]) or charset or (declared.group(1).decode("latin-1") if declared else "utf-8")
    try:
        return codecs.lookup(name).name
    except (LookupError, ValueError):
        return ""


def _refuse_doctype(*_: object) -> None:
    raise RequestFault("a document type declaration is not accepted", remedy="send the request without DOCTYPE")


def _malformed(message: str) -> RequestFault:
    return RequestFault(message, remedy="send well-formed XML 1.0")


def _too_large() -> TooLarge:
    remedy = FINDINGS["report-too-large"].remedy
    return TooLarge("larger than the limit for one submission", code="report-too-large", remedy=remedy)
