"""One care report while it is being read: what its elements say, where each value came from, what is wrong.

Value, nil, NV and PN are one unit in NEMSIS, and read as one: an NV says why nothing is there, a PN that the
thing was expressly *not* so (NEMSIS "Pertinent Negatives" and the national rules e001 to e008). So

* what carries an NV, or a PN other than "approximate", is not a fact, whatever text stands beside it;
* the few elements where PN and text together make a statement ("this drug was not given") are read with
  `stated`, which gives both;
* an empty element that says neither is told, and so is a text beside a code that denies it.
"""

from collections.abc import Callable
from functools import partial

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import LINES_KNOWN, ReportDocument, line_of
from gateway.findings import finding
from gateway.mapping.report_places import Found, Spot
from gateway.mapping.source import Source
from gateway.records import Finding, Origin

#: The pertinent negative that leaves the value a fact: it is an estimate.
APPROXIMATE = "8801029"

#: `Origin(…)` without the detour over its generated constructor: a report has a hundred of them.
_origin: Callable[[tuple[str, int | None, str]], Origin] = partial(tuple.__new__, Origin)


#: What a coded statement is about, and the pertinent negative that makes it "this was not so".
Statement = tuple[str, str | None]


class Case:
    """One report, what has been taken from it and what has been found wrong.

    `found` are the wanted elements of the document; `base` is the XPath of the report with a slash behind it;
    `estimated` names the values that the source marks as approximate.
    """

    __slots__ = ("base", "document", "estimated", "findings", "found", "has_local_times", "origins", "source", "told")

    def __init__(self, document: ReportDocument, found: Found, source: Source) -> None:
        self.document = document
        self.found = found
        self.source = source
        self.base = document.path + "/"
        self.origins: dict[str, Origin] = {}
        self.estimated: set[str] = set()
        self.findings: list[Finding] = []
        self.told: set[tuple[str, Element]] = set()
        self.has_local_times = False

    def take(self, name: str, rule: str, spot: Spot, element: Element, *, alone: bool, above: str) -> str | None:
        """Give back what stands there as a fact, without blanks around it and its origin kept, or None.

        `above` is the XPath with a slash behind it that `spot` is relative to; `alone` tells that no other
        element of that name stands there.
        """
        if alone and spot.is_plain and not element.keys():  # most are like this, and it takes a third of the time
            text, parent, line = element.text, element.getparent(), element.sourceline
            if text and parent is not None and parent.tag == spot.parent and line and line < LINES_KNOWN:
                text = text.strip()
                if text:
                    self.origins[name] = _origin((above + spot.path, line, rule))
                    return text
        fact = self.fact(element, spot.attribute)
        if fact is not None:
            self.took(name, rule, self._place_of(spot, element, alone=alone, above=above), element)
            if element.get("PN") == APPROXIMATE:
                self.estimated.add(name)
        return fact

    def fact(self, element: Element, attribute: str | None = None) -> str | None:
        """Give back what stands there as a fact, without blanks around it, or None."""
        text = (element.text if attribute is None else element.get(attribute)) or ""
        text = text.strip()
        denied = element.get("NV") is not None or element.get("PN", APPROXIMATE) != APPROXIMATE
        if text and denied:
            self.tell("report-negative-with-value", element)
        elif not text and not denied and attribute is None:
            self.tell("report-nil-without-reason", element)
        return text if text and not denied else None

    def stated(
        self, name: str, rule: str, spot: Spot, element: Element, *, alone: bool, above: str
    ) -> Statement | None:
        """Give back what is stated, as in `take`, or None where nothing is."""
        negative = element.get("PN")
        if negative is None or negative == APPROXIMATE:
            text = self.take(name, rule, spot, element, alone=alone, above=above)
            return (text, None) if text else None
        text = (element.text or "").strip()
        if not text:
            return None
        self.took(name, rule, self._place_of(spot, element, alone=alone, above=above), element)
        return text, negative

    def took(self, name: str, rule: str, path: str, element: Element) -> None:
        """Keep where a value came from."""
        self.origins[name] = Origin(path, line_of(element), rule)

    def tell(self, code: str, element: Element) -> None:
        """Add a finding at an element, once however many rules look at it."""
        if (code, element) not in self.told:
            self.told.add((code, element))
            self.findings.append(finding(code, path=self.document.path_of(element), line=line_of(element)))

    def _place_of(self, spot: Spot, element: Element, *, alone: bool, above: str) -> str:
        if spot.in_header:
            return f"{self.document.header.path}/{spot.path}"
        parent = element.getparent()
        if alone and spot.is_fixed and parent is not None and parent.tag == spot.parent:
            return above + spot.path
        path = self.document.path_of(element)
        return path if spot.attribute is None else f"{path}/@{spot.attribute}"
