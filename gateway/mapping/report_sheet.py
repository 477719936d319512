"""What stands in one care report, or in one row of a group: found in one pass, then taken value by value.

Value, nil, NV and PN are one unit in NEMSIS, and read as one: an NV says why nothing is there, a PN that the
thing was expressly *not* so (NEMSIS "Pertinent Negatives" and the national rules e001 to e008). So

* what carries an NV, or a PN other than "approximate", is not a fact, whatever text stands beside it;
* the few elements where PN and text together make a statement ("this drug was not given") are read with
  `state`, which gives both;
* an empty element that says neither is told, and so is a text beside a code that denies it.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import LINES_KNOWN, ReportDocument, line_of
from gateway.findings import finding
from gateway.mapping.report_places import Part, Short, Spot
from gateway.mapping.source import Source
from gateway.records import Finding, Origin

#: The pertinent negative that leaves the value a fact: it is an estimate.
APPROXIMATE = "8801029"

NOWHERE = ""  # the home of what stands too deep, or in the wrong part

#: What a coded statement is about, and the pertinent negative that makes it "this was not so".
Statement = tuple[str, str | None]


def is_denied(element: Element) -> bool:
    """Whether an element says that its text, if it has one, is not so."""
    return element.get("NV") is not None or element.get("PN", APPROXIMATE) != APPROXIMATE


class Case:
    """One report being read: where it came from, and what there is to say about it.

    `estimated` names the values that the source marks as approximate.
    """

    __slots__ = ("_told", "document", "estimated", "findings", "has_local_times", "source")

    def __init__(self, document: ReportDocument, source: Source) -> None:
        self.document = document
        self.source = source
        self.estimated: set[str] = set()
        self.findings: list[Finding] = []
        self.has_local_times = False
        self._told: set[tuple[str, Element]] = set()

    def tell(self, code: str, element: Element) -> None:
        """Add a finding at an element, once however many rules look at it."""
        if (code, element) not in self._told:
            self._told.add((code, element))
            self.findings.append(finding(code, path=self.document.path_of(element), line=line_of(element)))


class Unreadable(Exception):
    """A text that a conversion cannot take; `code` is the finding that says so, at the place of the text."""

    def __init__(self, code: str = "value-unreadable") -> None:
        super().__init__(code)
        self.code = code


class Sheet:
    """The wanted elements of one report, or of one row of a group, and what could be read of them.

    `top` is the element that places are relative to, the report or the row, and `above` its XPath with a slash;
    `here` stands before the names of its values in `origins`, as `vitals[0].`. `found` are the wanted elements by
    qualified name, in the order of the document; `values` are those that stand ready, and `unsettled` names those
    that it takes a closer look to read.
    """

    __slots__ = ("above", "case", "found", "here", "origins", "top", "unsettled", "values")

    def __init__(self, case: Case, top: Element, above: str, here: str, origins: dict[str, Origin]) -> None:
        self.case = case
        self.top = top
        self.above = above
        self.here = here
        self.found: dict[str, list[Element]] = {}
        self.values: dict[str, Any] = {}
        self.unsettled: list[str] = []
        self.origins = origins

    def gather(self, parts: Iterable[Part]) -> None:
        """Put down the wanted ones among the elements of each part.

        Nine in ten are a text where it belongs, without NV, PN or namesake, or a mere NV or PN; these are settled
        on the way, because this loop is most of the time that a report takes.
        """
        case, above, here, found, values, unsettled, origins = (
            self.case, self.above, self.here, self.found, self.values, self.unsettled, self.origins,
        )  # fmt: skip
        home: Element | None = None
        home_tag: object = NOWHERE
        for top, elements, plan in parts:
            for element in elements:
                tag: str = element.tag  # type: ignore[assignment]  # the stubs allow for more than parsed trees
                if tag not in plan:
                    continue
                short = plan[tag]
                if tag in found:
                    self._add_namesake(tag, element, short)
                    continue
                found[tag] = [element]
                if short is None:
                    continue
                name, label, wanted_home, path, rule, read = short
                text = element.text
                if not text and (element.get("NV") is not None or element.get("PN") is not None):
                    continue
                marks, line, parent = element.keys(), element.sourceline, element.getparent()
                if parent is not home:
                    home, home_tag = parent, None
                    if parent is not top:
                        home_tag = parent.tag if parent.getparent() is top else NOWHERE  # type: ignore[union-attr]
                text = text.strip() if text else None
                is_marked = marks and ("NV" in marks or "PN" in marks)
                if not text or is_marked or home_tag != wanted_home or not line or line >= LINES_KNOWN:
                    unsettled.append(name)
                    continue
                try:
                    value = text if read is None else read(text, case)
                except Unreadable:
                    value = None
                if value is None:
                    unsettled.append(name)
                    continue
                values[name] = value
                origins[here + label] = Origin(above + path, line, rule)

    def _add_namesake(self, tag: str, element: Element, short: Short | None) -> None:
        """Put down another element of a name: the paths need numbers now, so a value read at first sight goes."""
        found = self.found[tag]
        found.append(element)
        if short is not None and len(found) == 2:
            if self.values.pop(short.name, None) is not None:
                del self.origins[self.here + short.label]
            if short.name not in self.unsettled:
                self.unsettled.append(short.name)

    def elements(self, tag: str) -> Sequence[Element]:
        """Give back all elements of a name, in the order of the document."""
        return self.found.get(tag, ())

    def take(self, name: str, rule: str, spot: Spot, element: Element) -> str | None:
        """Give back what stands there as a fact, without blanks around it and its origin kept, or None."""
        text = element.get(spot.attribute, "").strip() if spot.attribute else self._fact(name, element)
        if text:
            self.note(name, rule, spot, element)
        return text or None

    def _fact(self, name: str, element: Element) -> str:
        """The text of an element if it is so, seen what its attributes say; nothing if it is not."""
        text, marks = (element.text or "").strip(), element.keys()
        if "NV" not in marks and "PN" not in marks:
            if not text:
                self.case.tell("report-nil-without-reason", element)
        elif text and is_denied(element):
            self.case.tell("report-negative-with-value", element)
            return ""
        elif text:
            self.case.estimated.add(self.here + name)
        return text

    def state(self, name: str, rule: str, spot: Spot, element: Element) -> Statement | None:
        """Give back what is stated there, its origin kept, or None where nothing is."""
        negative = element.get("PN", APPROXIMATE) if element.keys() else APPROXIMATE
        if negative == APPROXIMATE or element.get("NV") is not None:
            fact = self.take(name, rule, spot, element)
            return (fact, None) if fact else None
        text = (element.text or "").strip()
        if not text:
            return None
        self.note(name, rule, spot, element)
        return text, negative

    def note(self, name: str, rule: str, spot: Spot, element: Element) -> None:
        """Keep where a value came from, or where it is said why there is none."""
        line = element.sourceline
        if not line or line >= LINES_KNOWN:
            line = line_of(element)
        self.origins[self.here + name] = Origin(self._path_of(spot, element), line, rule)

    def _path_of(self, spot: Spot, element: Element) -> str:
        """The XPath of what stands at a spot: by what the mapping says of it where that holds, else as it is."""
        if spot.in_header:
            return f"{self.case.document.header.path}/{spot.path}"
        if spot.is_fixed and len(self.found[spot.tag]) == 1 and spot.is_home_of(element, self.top):
            return self.above + spot.path
        path = self.case.document.path_of(element)
        return path if spot.attribute is None else f"{path}/@{spot.attribute}"
