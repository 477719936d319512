"""The single values of a care report: from the element at a place to a value of the record.

Value, nil, NV and PN are one unit in NEMSIS, and read as one: an NV says why nothing is there, a PN that the
thing was expressly *not* so (NEMSIS "Pertinent Negatives" and rules nemSch_e001 to e008). So

* what carries an NV, or a PN other than "approximate", is not a fact, whatever text stands beside it;
* the few elements where PN and text together make a statement ("this drug was not given") are read with
  `Case.stated`, which gives both;
* a value that cannot be read costs the value, never the report, and is told at its place.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import ReportDocument, line_of
from gateway.findings import finding
from gateway.mapping.report_places import Found, Spot, compile_spot
from gateway.mapping.rules import CARE_REPORT_VALUES, Conversion, Place
from gateway.mapping.source import Source
from gateway.mapping.tables import CodeTable
from gateway.records import Finding, Origin, Sex

#: The pertinent negative that leaves the value a fact: it is an estimate.
APPROXIMATE = "8801029"

AGE_UNITS = frozenset({"a", "mo", "wk", "d", "h", "min"})
FLAGS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}

Convert = Callable[[str, "Case"], Any]


class Unreadable(Exception):
    """A text that a conversion cannot take; `code` is the finding that says so. Never leaves this module."""

    def __init__(self, code: str = "value-unreadable") -> None:
        super().__init__(code)
        self.code = code


class Case:
    """One report while it is being read: what is looked at, and what has been found."""

    __slots__ = (
        "base",
        "document",
        "estimated",
        "estimates",
        "findings",
        "found",
        "has_local_times",
        "origins",
        "source",
        "told",
    )

    def __init__(self, document: ReportDocument, found: Found, source: Source) -> None:
        """`found` are the wanted elements of `document`."""
        self.document = document
        self.found = found
        self.source = source
        self.base = document.path + "/"
        self.origins: dict[str, Origin] = {}
        self.findings: list[Finding] = []
        self.told: set[tuple[str, Element]] = set()
        self.has_local_times = False
        self.estimates: set[Element] = set()
        self.estimated: set[str] = set()  # the values that the source marks as approximate

    def fact(self, element: Element, attribute: str | None = None) -> str | None:
        """Give back the text that stands there as a fact, without blanks around it, or None."""
        text = element.text if attribute is None else element.get(attribute)
        marks = element.keys()
        if not text or not (text := text.strip()):
            if attribute is None and "NV" not in marks and "PN" not in marks:
                self.tell("report-nil-without-reason", element)
            return None
        if marks and ("NV" in marks or "PN" in marks) and not self._is_estimate(element):
            self.tell("report-negative-with-value", element)
            return None
        return text

    def _is_estimate(self, element: Element) -> bool:
        estimate = element.get("PN") == APPROXIMATE and element.get("NV") is None
        if estimate:
            self.estimates.add(element)
        return estimate

    def stated(self, element: Element) -> tuple[str, str | None] | None:
        """Give back what a statement is about and the PN that negates it, or None where nothing is stated."""
        text = (element.text or "").strip()
        marks = element.keys()
        if not marks:
            if not text:
                self.tell("report-nil-without-reason", element)
            return (text, None) if text else None
        if not text:
            return None
        if "NV" in marks:
            self.tell("report-negative-with-value", element)
            return None
        return text, element.get("PN")

    def tell(self, code: str, element: Element) -> None:
        """Add a finding at an element, once however many rules look at it."""
        if (code, element) in self.told:
            return
        self.told.add((code, element))
        self.findings.append(finding(code, path=self.document.path_of(element), line=line_of(element)))

    def place_of(self, spot: Spot, element: Element, *, alone: bool, above: str = "") -> str:
        """Give back the XPath of what was taken; `above` is the row it stands in, `alone` tells it has no namesakes."""
        parent = element.getparent()
        if alone and parent is not None and parent.tag == spot.parent:
            return f"{above or self.base}{spot.path}"
        path = self.document.path_of(element)
        return path if spot.attribute is None else f"{path}/@{spot.attribute}"

    def took(self, name: str, rule: str, path: str, element: Element) -> None:
        """Keep where a value came from."""
        self.origins[name] = Origin(path, line_of(element), rule)


class Value(NamedTuple):
    """One single value, compiled: its places in order of trust, and how its text is read."""

    name: str
    rule: str
    spots: tuple[Spot, ...]
    table: Mapping[str, str] | None
    convert: Convert | None

    def read(self, case: Case) -> Any:
        """Give back the value at the first place that has one, or None."""
        for spot in self.spots:
            if spot.header is not None:
                said = case.document.header.texts.get(spot.header)
                if said and said[0]:
                    path = f"/EMSDataSet/Header[{case.document.header.number}]/DemographicGroup/{spot.header}"
                    case.origins[self.name] = Origin(path, said[1], self.rule)
                    return said[0]
                continue
            elements = case.found.get(spot.tag)
            if elements is None:
                continue
            for element in elements:
                if spot.requirements and not spot.fits(element):
                    continue
                text = case.fact(element, spot.attribute)
                if text is None:
                    continue
                value = self.converted(text, element, case)
                if value is not None:
                    path = case.place_of(spot, element, alone=len(elements) == 1)
                    case.origins[self.name] = Origin(path, line_of(element), self.rule)
                    if case.estimates and element in case.estimates:
                        case.estimated.add(self.name)
                    return value
        return None

    def gather(self, case: Case) -> tuple[str, ...]:
        """Give back the texts at all places, in order, each once."""
        gathered: list[str] = []
        for spot, element, alone in self._all(case):
            text = case.fact(element, spot.attribute)
            if text is not None and text not in gathered:
                path = case.place_of(spot, element, alone=alone)
                case.took(f"{self.name}[{len(gathered)}]", self.rule, path, element)
                gathered.append(text)
        return tuple(gathered)

    def _all(self, case: Case) -> Iterator[tuple[Spot, Element, bool]]:
        for spot in self.spots:
            elements = case.found.get(spot.tag, ())
            for element in elements:
                if spot.fits(element):
                    yield spot, element, len(elements) == 1

    def converted(self, text: str, element: Element, case: Case) -> Any:
        """Give back the text translated by the table and read; None, with a finding, where that cannot be."""
        if self.table is not None:
            meaning = self.table.get(text)
            if meaning is None:
                case.tell("code-unknown", element)
                return None if self.convert else text
            text = meaning
        if self.convert is None:
            return text
        try:
            return self.convert(text, case)
        except Unreadable as error:
            case.tell(error.code, element)
            return None


def compile_value(name: str, mapping: str, place: Place, tables: Mapping[str, CodeTable]) -> Value:
    """Give back the compiled form of one single value of a checked mapping."""
    spots = tuple(compile_spot(at, place.where) for at in place.places)
    table = None if place.table is None else tables[place.table].meanings
    convert = _WORDS.get(name) or _CONVERSIONS[CARE_REPORT_VALUES[name]]
    return Value(name, f"{mapping}: {name}", spots, table, convert)


# ── conversions ────────────────────────────────────────────────────────────────────────────────────


def read_time(text: str, case: Case) -> datetime:
    """Give back an xs:dateTime, which has its offset; without one it is the feed's local time.

    `24:00:00` is the first instant of the next day (XML Schema 1.0 part 2, 3.2.7). Raises `Unreadable`.
    """
    midnight = text[11:19] == "24:00:00"
    if text[10:11] != "T" or not text[5:7].isdigit() or (midnight and text[19:].strip(".0")[:1].isdigit()):
        raise Unreadable
    try:
        at = datetime.fromisoformat(f"{text[:11]}00{text[13:]}" if midnight else text)
        if at.tzinfo is None:
            at = _local(at, case)
        return at + timedelta(days=1) if midnight else at
    except (ValueError, OverflowError):
        raise Unreadable from None


def _local(at: datetime, case: Case) -> datetime:
    """The instant of a local time; refused where the clock change skips or repeats it (PEP 495)."""
    case.has_local_times = True
    at = at.replace(tzinfo=case.source.zone)
    if at.utcoffset() != at.replace(fold=1).utcoffset():
        raise Unreadable("time-impossible")
    return at


def read_date(text: str, _: Case) -> str:
    """Give back an xs:date as `1961-06-15`; a zone behind it is dropped and moves no day. Raises `Unreadable`."""
    day, zone = text[:10], text[10:]
    if zone not in ("", "Z") and not (len(zone) == 6 and zone[0] in "+-" and zone[3] == ":"):
        raise Unreadable
    try:
        return date.fromisoformat(day).isoformat() if day[4:5] == "-" else _refuse()
    except ValueError:
        raise Unreadable from None


def read_number(text: str, _: Case) -> int:
    """Give back a whole number of ordinary size. Raises `Unreadable`."""
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Unreadable
    return int(text)


def read_flag(text: str, _: Case) -> bool | None:
    """Give back what yes, no or unknown means. Raises `Unreadable`."""
    if text not in FLAGS:
        raise Unreadable("code-unknown")
    return FLAGS[text]


def _sex(text: str, _: Case) -> Sex:
    try:
        return Sex(text)
    except ValueError:
        raise Unreadable("code-unknown") from None


def _age_unit(text: str, _: Case) -> str:
    if text not in AGE_UNITS:
        raise Unreadable("code-unknown")
    return text


def _refuse() -> str:
    raise Unreadable


#: Values whose text must be one of the record's own words.
_WORDS: dict[str, Convert] = {"patient.sex": _sex, "patient.age_unit": _age_unit}

_CONVERSIONS: dict[Conversion, Convert | None] = {
    "text": None,
    "texts": None,
    "date": read_date,
    "time": read_time,
    "number": read_number,
    "flag": read_flag,
}
