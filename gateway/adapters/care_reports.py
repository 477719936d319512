"""NEMSIS EMS data sets, read one care report at a time, in constant memory, from senders nobody vetted.

An `EMSDataSet` holds a `Header` for each agency, and each Header its care reports; a report is to be read
together with its Header, where the agency and the meaning of custom elements stand (NEMSIS 3.5.1 XSD). All
samples of the standard hold one report a file; a billing or registry export may hold thousands.

The rules of this file:

* What comes in is parsed once, forward; a report that has been handed out is gone once the next one is.
* No DOCTYPE, so no entity is ever declared; nothing is fetched. Comments and processing instructions are
  dropped, so that one inside a value does not cut the value in two.
* A text may be longer than the parser's usual 10 MB, because attachments have no limit in the schema; the
  limit on the whole payload is what bounds it. Depth is bounded by the parser.
* A fault in the middle costs what comes after it, not the reports before it.
* No message quotes what the file says: only its element names and lines.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import chain
from typing import NamedTuple, TypedDict

import msgspec
from lxml import etree

from gateway.adapters.report_payload import USUAL, Limits, Readable, payload, refused, too_large
from gateway.errors import SenderFault

NAMESPACE = "http://www.nemsis.org"
_IN = f"{{{NAMESPACE}}}"
ROOT, HEADER, REPORT = f"{_IN}EMSDataSet", f"{_IN}Header", f"{_IN}PatientCareReport"
_DEMOGRAPHICS, _CONFIGURATION = f"{_IN}DemographicGroup", f"{_IN}eCustomConfiguration"
_SCHEMA_LOCATION = "{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"

#: Elements that may occur several times, of those a place is likely to be in: their number is always written,
#: so that the first does not change its name when a second is added (NEMSIS 3.5.1 XSD).
NUMBERED = frozenset(
    _IN + name
    for name in (
        "Header",
        "PatientCareReport",
        "eSituation.PatientComplaintGroup",
        "eVitals.VitalGroup",
        "eMedications.MedicationGroup",
        "eProcedures.ProcedureGroup",
        "eOutcome.ExternalDataGroup",
        "eCustomResults.ResultsGroup",
    )
)

_VERSION = re.compile(r"(?<![0-9.])3\.[0-9]\.[0-9](?![0-9])")


class SafeOptions(TypedDict):
    """The parser options that keep us safe and texts whole."""

    resolve_entities: bool
    load_dtd: bool
    no_network: bool
    collect_ids: bool
    remove_comments: bool
    remove_pis: bool
    huge_tree: bool


#: Nothing is fetched or expanded, and no comment cuts a text in two; `huge_tree` lifts the limit on one text.
SAFELY = SafeOptions(
    resolve_entities=False,
    load_dtd=False,
    no_network=True,
    collect_ids=False,
    remove_comments=True,
    remove_pis=True,
    huge_tree=True,
)

LINES_KNOWN = 65535  # libxml2 keeps the line of an element in 16 bits


class CustomElement(NamedTuple):
    """What a Header says about one custom element (eCustomConfiguration .01 to .05 and .09).

    `extends` is the standard element or section it adds to (`@nemsisElement`, a hint only: a sample of the
    standard carries a wrong one); `data_type` and `recurs` are NEMSIS codes; `anchor` is the custom element
    it is grouped with.
    """

    id: str
    title: str
    definition: str
    data_type: str
    recurs: str
    extends: str | None
    anchor: str | None


@dataclass(frozen=True)
class ReportHeader:
    """What holds for every report of one Header: `number` is its place in the file, from 1.

    `elements` are those of the DemographicGroup by qualified name; `parts` are the XPaths of all that stands
    before the reports.
    """

    number: int
    elements: Mapping[str, list[etree._Element]] = field(repr=False, default_factory=dict)
    configuration: etree._Element | None = field(repr=False, default=None)
    parts: Mapping[etree._Element, str] = field(repr=False, default_factory=dict)

    @property
    def path(self) -> str:
        """The XPath of the Header."""
        return _header_path(self.number)

    def text(self, name: str) -> str:
        """Give back what the DemographicGroup says under a name such as `dAgency.02`, or nothing."""
        return next(((each.text or "").strip() for each in self.elements.get(_IN + name, ())), "")

    @cached_property
    def custom_elements(self) -> dict[str, CustomElement]:
        """The custom elements by id. Of two with one id, which the schema allows, the first holds."""
        found: dict[str, CustomElement] = {}
        for group in self.configuration if self.configuration is not None else ():
            custom = _custom_element(group)
            found.setdefault(custom.id, custom)
        return found

    def find_custom(self, name: str) -> str | None:
        """Give back the id of the custom element with this id or this title, or None."""
        if name in self.custom_elements:
            return name
        return next((each.id for each in self.custom_elements.values() if each.title == name), None)


class CustomResult(NamedTuple):
    """The values recorded for one custom element (eCustomResults.ResultsGroup).

    `values` are the elements that hold them; `definition` is None where the Header does not define
    `element_id`; `about` is the CorrelationID of the element, group or other result that the values belong
    to (`.03`), None for a result about the report as a whole.
    """

    values: tuple[etree._Element, ...]
    element_id: str
    definition: CustomElement | None
    about: str | None


class ReportDocument(msgspec.Struct, frozen=True):
    """One PatientCareReport, with what its file and its Header say about it.

    `element` is there only until the next report is asked for. `number` counts within the Header, from 1.
    `national` tells that the file claims the national schema, which has no name, destination or identifier
    (the text NAT in xsi:schemaLocation, the test of the standard's own compliance service); `version` is the
    data set version in the same place, a hint.
    """

    element: etree._Element
    header: ReportHeader
    number: int
    national: bool = False
    version: str = ""
    _paths: dict[etree._Element, str] = msgspec.field(default_factory=dict)

    @property
    def path(self) -> str:
        """The XPath of the report."""
        return f"{self.header.path}/PatientCareReport[{self.number}]"

    def path_of(self, element: etree._Element) -> str:
        """Give back the XPath of an element of this report or its Header, namespace prefixes left out."""
        if self.element not in self._paths:
            self._paths[self.element] = self.path
            self._paths.update(self.header.parts)
        return path_of(element, self._paths)

    def custom_results(self) -> list[CustomResult]:
        """Give back the custom results, each with its definition and what it is about."""
        return [self._custom_result(group) for group in self.element.iter(f"{_IN}eCustomResults.ResultsGroup")]

    def find_correlated(self, correlation: str) -> etree._Element | None:
        """Give back the element with a CorrelationID: a name within this report, never an identity."""
        return next((each for each in self.element.iter() if each.get("CorrelationID") == correlation), None)

    def _custom_result(self, group: etree._Element) -> CustomResult:
        element_id = _text(group, "eCustomResults.02")
        return CustomResult(
            tuple(group.iterchildren(f"{_IN}eCustomResults.01")),
            element_id,
            self.header.custom_elements.get(element_id),
            _text(group, "eCustomResults.03") or None,
        )


def reports(source: bytes | Readable, *, limits: Limits = USUAL) -> Iterator[ReportDocument]:
    """Give back the care reports of an EMS data set, in order.

    Raises, once everything before the fault has been handed out: `UnreadableMessage` with the code
    `report-xml`, `report-encoding`, `report-doctype`, `report-root`, `report-too-deep` or `report-empty`;
    `TooLarge` with `report-too-large`.
    """
    pieces = payload(source, limits)
    first, second = next(pieces), next(pieces, None)
    if second is None:
        yield from _short(first)
    else:
        yield from _long(chain((first, second), pieces), limits)


def path_of(element: etree._Element, paths: dict[etree._Element, str]) -> str:
    """Give back the XPath of an element below one whose path is in `paths`, where those named now are kept."""
    unnamed: list[etree._Element] = []
    while element not in paths:
        unnamed.append(element)
        above = element.getparent()
        assert above is not None, "no element above has a path"
        element = above
    for each in reversed(unnamed):
        _name_alike(element, str(each.tag), paths)
        element = each
    return paths[element]


def line_of(element: etree._Element) -> int | None:
    """Give back the line on which an element stands, or None where the parser no longer knows.

    Beyond line 65,535 libxml2 remembers only the line on which a text ends.
    """
    line = element.sourceline
    if line is None or line < LINES_KNOWN:
        return line
    text = element.text
    return line if text and "\n" not in text else None


# ── parsing ────────────────────────────────────────────────────────────────────────────────────────


def _short(data: bytes) -> Iterator[ReportDocument]:
    """Read the usual payload, one piece, at once, which is a good deal faster than in steps.

    A broken one is begun anew in steps, for the sake of the reports before the break.
    """
    try:
        root = etree.fromstring(data, etree.XMLParser(remove_blank_text=True, **SAFELY))
    except etree.XMLSyntaxError:
        yield from _long(iter([data]), USUAL)
        return
    place = _Place()
    for element in checked_root(root).iter(REPORT):
        yield place.document(element)
    place.check_any()


def _long(pieces: Iterator[bytes], limits: Limits) -> Iterator[ReportDocument]:
    """Read a payload of any length in steps, keeping only what the report at hand needs."""
    parser = etree.XMLPullParser(events=("end",), tag=REPORT, remove_blank_text=True, **SAFELY)
    ended = parser.read_events()
    place = _Place()
    waiting = 0
    for piece in pieces:
        fault = _feed(parser, piece)
        waiting += piece.count(b"<") + piece.count(b"=")
        for _, element in ended:
            waiting = 0
            document = place.document(element)
            place.forget_before(element)
            yield document
        if fault:
            raise fault
        if waiting > limits.marks:
            raise too_large("a report has more elements than any care report")
    checked_root(_close(parser))
    place.check_any()


def _feed(parser: etree.XMLPullParser, piece: bytes) -> SenderFault | None:
    try:
        parser.feed(piece)
    except etree.XMLSyntaxError as error:
        return syntax_fault(error, parser)
    return None


def _close(parser: etree.XMLPullParser) -> etree._Element:
    try:
        return parser.close()
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None


class _Place:
    """Where in the file a reading stands: in which Header, and after how many reports and Headers."""

    def __init__(self) -> None:
        self._within: etree._Element | None = None
        self._header = ReportHeader(0)
        self._headers = 0
        self._reports = 0
        self._national = False
        self._version = ""

    def document(self, element: etree._Element) -> ReportDocument:
        """Give back the next report. Raises `UnreadableMessage` if it does not stand in a Header."""
        header = element.getparent()
        if header is None or header is not self._within:
            header = self._begin_header(header)
        self._reports += 1
        return ReportDocument(element, self._header, self._reports, self._national, self._version)

    def forget_before(self, element: etree._Element) -> None:
        """Free everything that stands before a report: what is needed of it has been read."""
        header = element.getparent()
        root = header.getparent() if header is not None else None
        assert header is not None
        assert root is not None
        del header[: header.index(element)]
        del root[: root.index(header)]

    def check_any(self) -> None:
        """Raise `UnreadableMessage` if there was no report."""
        if self._within is None:
            raise refused("report-empty")

    def _begin_header(self, header: etree._Element | None) -> etree._Element:
        root = header.getparent() if header is not None and header.tag == HEADER else None
        if header is None or root is None or root.getparent() is not None or root.tag != ROOT:
            raise refused("report-root", message="a PatientCareReport that does not stand in a Header")
        if self._within is None:
            location = root.get(_SCHEMA_LOCATION, "")
            self._national = "NAT" in location
            version = _VERSION.search(location)
            self._version = version.group() if version else ""
        before = header
        while (previous := before.getprevious()) is not None and previous is not self._within:
            before = previous
            self._headers += before.tag == HEADER
        self._headers += 1
        self._header = _read_header(header, self._headers)
        self._within, self._reports = header, 0
        return header


def _read_header(header: etree._Element, number: int) -> ReportHeader:
    elements: dict[str, list[etree._Element]] = {}
    configuration = None
    parts: dict[etree._Element, str] = {}
    for part in header:
        if part.tag == REPORT:
            break
        parts[part] = f"{_header_path(number)}/{str(part.tag).rpartition('}')[2]}"
        if part.tag == _DEMOGRAPHICS:
            for each in part:
                elements.setdefault(str(each.tag), []).append(each)
        elif part.tag == _CONFIGURATION:
            configuration = part
    return ReportHeader(number, elements, configuration, parts)


def _header_path(number: int) -> str:
    return f"/EMSDataSet/Header[{number}]"


def _custom_element(group: etree._Element) -> CustomElement:
    title = group.find(f"{_IN}eCustomConfiguration.01")
    return CustomElement(
        id=group.get("CustomElementID", "").strip(),
        title=_text(group, "eCustomConfiguration.01"),
        definition=_text(group, "eCustomConfiguration.02"),
        data_type=_text(group, "eCustomConfiguration.03"),
        recurs=_text(group, "eCustomConfiguration.04"),
        extends=title.get("nemsisElement") if title is not None else None,
        anchor=_text(group, "eCustomConfiguration.09") or None,
    )


def _text(parent: etree._Element, name: str) -> str:
    return (parent.findtext(_IN + name) or "").strip()


def _name_alike(parent: etree._Element, tag: str, paths: dict[etree._Element, str]) -> None:
    """Put down the XPath of the children of one name: in one pass, however many there are."""
    alike = list(parent.iterchildren(tag))
    path = f"{paths[parent]}/{tag.rpartition('}')[2]}"
    if len(alike) == 1 and tag not in NUMBERED:
        paths[alike[0]] = path
        return
    for number, element in enumerate(alike, 1):
        paths[element] = f"{path}[{number}]"


def checked_root(root: etree._Element) -> etree._Element:
    """Give back the root if it is that of an EMS data set. Raises `UnreadableMessage`, `report-root`."""
    if root.tag != ROOT:
        raise refused("report-root", line=line_of(root))
    return root


# ── what is wrong ──────────────────────────────────────────────────────────────────────────────────


def syntax_fault(error: etree.XMLSyntaxError, parser: etree.XMLParser | etree.XMLPullParser) -> SenderFault:
    """Give back our words for a fault of the parser, whose own may quote the file."""
    first = next(iter(parser.feed_error_log), None)
    line = (first.line if first else error.lineno) or None
    if first and first.type_name == "ERR_RESOURCE_LIMIT":
        return refused("report-too-deep", line=line)
    return refused("report-xml", line=line)
