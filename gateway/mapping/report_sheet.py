"""What stands in one care report, or in one row of a group: found in one pass, then taken value by value.

Value, nil, NV and PN are one unit in NEMSIS, and read as one: an NV says why nothing is there, a PN that the
thing was expressly *not* so (NEMSIS "Pertinent Negatives" and the national rules e001 to e008). So

* what carries an NV, or a PN other than "approximate", is not a fact, whatever text stands beside it;
* the few elements where PN and text together make a statement ("this drug was not given") are read with
  `state`, which gives both;
* an empty element that says neither is told, and so is a text beside a code that denies it.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import partial

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import LINES_KNOWN, ReportDocument, line_of
from gateway.findings import finding
from gateway.mapping.report_places import Plan, Spot
from gateway.mapping.source import Source
from gateway.records import Finding, Origin

#: The pertinent negative that leaves the value a fact: it is an estimate.
APPROXIMATE = "8801029"

#: `Origin(…)` without the detour over its generated constructor: a report has a hundred of them.
_origin: Callable[[tuple[str, int | None, str]], Origin] = partial(tuple.__new__, Origin)

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


class Sheet:
    """The wanted elements of one report, or of one row of a group.

    `above` is the XPath, with a slash behind it, that places are relative to; `here` stands before the names
    of its values in `origins`, as `vitals[0].`. `texts` are the values that could be taken at first sight, None
    for one that is only said to be missing or not so, and `firsts` their elements; `found` are all other wanted
    elements. The latter two are by qualified name.
    """

    __slots__ = ("above", "case", "firsts", "found", "here", "origins", "texts")

    def __init__(self, case: Case, *, above: str, here: str = "") -> None:
        self.case = case
        self.above = above
        self.here = here
        self.texts: dict[str, str | None] = {}
        self.firsts: dict[str, Element] = {}
        self.found: dict[str, list[Element]] = {}
        self.origins: dict[str, Origin] = {}

    def gather(self, elements: Iterable[Element], plan: Plan) -> None:
        """Put down the wanted ones among `elements`.

        Nine in ten are a text where it belongs, without NV, PN or namesake, or a mere NV or PN; these are taken
        on the way, because this loop is most of the time that a report takes.
        """
        above, here, origins, texts, firsts, found = (
            self.above, self.here, self.origins, self.texts, self.firsts, self.found,
        )  # fmt: skip
        home: Element | None = None
        home_tag: object = None
        for element in elements:
            tag: str = element.tag  # type: ignore[assignment]  # the stubs allow for more than parsed trees
            if tag not in plan:
                continue
            short = plan[tag]
            if short is not None and tag not in found:
                name, parent_tag, path, rule = short
                marks, text = element.keys(), element.text
                if tag in firsts:
                    self._put_back(name, tag)
                elif marks and ("NV" in marks or "PN" in marks):
                    if not text:
                        texts[name] = None
                        firsts[tag] = element
                        continue
                elif text:
                    text, line, parent = text.strip(), element.sourceline, element.getparent()
                    if parent is not None and parent is not home:
                        home, home_tag = parent, parent.tag
                    if text and line and line < LINES_KNOWN and home_tag == parent_tag:
                        texts[name] = text
                        firsts[tag] = element
                        origins[here + name] = _origin((above + path, line, rule))
                        continue
            if tag in found:
                found[tag].append(element)
            else:
                found[tag] = [element]

    def _put_back(self, name: str, tag: str) -> None:
        """A value has a namesake after all, so its path needs a number: leave both to the slower way."""
        self.found[tag] = [self.firsts.pop(tag)]
        if self.texts.pop(name) is not None:
            del self.origins[self.here + name]

    def elements(self, tag: str) -> Sequence[Element]:
        """Give back all elements of a name, in the order of the document."""
        found = self.found.get(tag)
        if found is None:
            return (self.firsts[tag],) if tag in self.firsts else ()
        return found

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
        self.origins[self.here + name] = _origin((self._path_of(spot, element), line, rule))

    def _path_of(self, spot: Spot, element: Element) -> str:
        """The XPath of what stands at a spot: by what the mapping says of it where that holds, else as it is."""
        if spot.in_header:
            return f"{self.case.document.header.path}/{spot.path}"
        parent = element.getparent()
        at_home = spot.is_fixed and parent is not None and parent.tag == spot.parent
        if at_home and len(self.elements(spot.tag)) == 1:
            return self.above + spot.path
        path = self.case.document.path_of(element)
        return path if spot.attribute is None else f"{path}/@{spot.attribute}"
