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
from typing import NamedTuple

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

    `texts` are the elements of the DemographicGroup by name, each with its line.
    """

    number: int
    texts: Mapping[str, tuple[str, int | None]]
    configuration: etree._Element | None = field(repr=False, default=None)

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


@dataclass(frozen=True, slots=True)
class ReportDocument:
    """One PatientCareReport, with what its file and its Header say about it.

    `element` is there only until the next report is asked for. `number` counts within the Header, from 1.
    `national` tells that the file claims the national schema, which has no name, destination or identifier
    (the text NAT in xsi:schemaLocation, the test of the standard's own compliance service); `version` is the
    data set version in the same place, a hint.
    """

    element: etree._Element = field(repr=False)
    header: ReportHeader
    number: int
    national: bool = False
    version: str = ""

    @property
    def path(self) -> str:
        """The XPath of the report."""
        return f"/EMSDataSet/Header[{self.header.number}]/PatientCareReport[{self.number}]"

    def path_of(self, element: etree._Element) -> str:
        """Give back the XPath of an element of this report, namespace prefixes left out."""
        return "/".join([self.path, *_steps(element, self.element)])

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
    parser = _Parser()
    waiting = 0
    for piece in pieces:
        found = False
        for document in parser.read(piece):
            found = True
            yield document
        waiting = 0 if found else waiting + piece.count(b"<") + piece.count(b"=")
        if waiting > limits.marks:
            raise too_large("a report has more elements than any care report")
    parser.finish()


def path_of(element: etree._Element) -> str:
    """Give back the XPath of an element from the root of its tree, namespace prefixes left out."""
    root = element.getroottree().getroot()
    return "/" + "/".join([_name(root), *_steps(element, root)])


def line_of(element: etree._Element) -> int | None:
    """Give back the line on which an element stands, or None where the parser no longer knows.

    Beyond line 65,535 libxml2 remembers only the line on which a text ends.
    """
    line = element.sourceline
    if line is None or line < LINES_KNOWN:
        return line
    text = element.text
    return line if text and "\n" not in text else None


# ── elements ───────────────────────────────────────────────────────────────────────────────────────


class _Parser:
    """A parse under way, which holds one Header and one report at a time."""

    def __init__(self) -> None:
        self._parser = etree.XMLPullParser(
            events=("end",),
            tag=REPORT,
            resolve_entities=False,
            load_dtd=False,
            no_network=True,
            remove_comments=True,
            remove_pis=True,
            remove_blank_text=True,
            huge_tree=True,
        )
        self._events = self._parser.read_events()
        self._within: etree._Element | None = None
        self._header = ReportHeader(0, {})
        self._number = 0
        self._passed = 0  # Headers that are over and gone
        self._national = False
        self._version = ""

    def read(self, piece: bytes) -> Iterator[ReportDocument]:
        """Take the next bytes and give back the reports that end in them."""
        fault: SenderFault | None = None
        try:
            self._parser.feed(piece)
        except etree.XMLSyntaxError as error:
            fault = syntax_fault(error, self._parser)
        for _, element in self._events:
            yield self._document(element)
        if fault:
            raise fault

    def finish(self) -> None:
        """End the parse. Raises what the parser did not like, or that there was no report."""
        try:
            root = self._parser.close()
        except etree.XMLSyntaxError as error:
            raise syntax_fault(error, self._parser) from None
        checked_root(root)
        if self._within is None:
            raise refused("report-empty")

    def _document(self, element: etree._Element) -> ReportDocument:
        header = element.getparent()
        if header is not self._within:
            self._begin_header(header)
        assert header is not None
        self._number += 1
        del header[: header.index(element)]
        return ReportDocument(element, self._header, self._number, self._national, self._version)

    def _begin_header(self, header: etree._Element | None) -> None:
        root = header.getparent() if header is not None and header.tag == HEADER else None
        if header is None or root is None or root.getparent() is not None or root.tag != ROOT:
            raise refused("report-root", message="a PatientCareReport that does not stand in a Header")
        if self._within is None:
            location = root.get(_SCHEMA_LOCATION, "")
            self._national = "NAT" in location
            self._version = next(iter(_VERSION.findall(location)), "")
        self._passed += sum(before.tag == HEADER for before in header.itersiblings(preceding=True))
        self._header = _read_header(header, self._passed + 1)
        self._within, self._number = header, 0
        del root[: root.index(header)]


def _read_header(header: etree._Element, number: int) -> ReportHeader:
    texts: dict[str, tuple[str, int | None]] = {}
    configuration = None
    for part in header:
        if part.tag == _DEMOGRAPHICS:
            texts |= {_name(each): (each.text.strip(), line_of(each)) for each in part if each.text}
        elif part.tag == _CONFIGURATION:
            configuration = part
        elif part.tag == REPORT:
            break
    return ReportHeader(number, texts, configuration)


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


def _steps(element: etree._Element, top: etree._Element) -> list[str]:
    """The steps of an XPath from `top` down; a number stands where there are several, or may be by the schema."""
    steps: list[str] = []
    while element is not top:
        before = sum(each.tag == element.tag for each in element.itersiblings(preceding=True))
        after = any(each.tag == element.tag for each in element.itersiblings())
        numbered = before or after or element.tag in NUMBERED
        steps.append(f"{_name(element)}[{before + 1}]" if numbered else _name(element))
        parent = element.getparent()
        assert parent is not None, "the element does not stand below the top"
        element = parent
    return steps[::-1]


def _name(element: etree._Element) -> str:
    return str(element.tag).rpartition("}")[2]


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
