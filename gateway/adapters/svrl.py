"""What a rule file said: SVRL documents read for their verdict, and made one.

SVRL quotes values of the report for the one who sent it (NEMSIS V3 Schematron guide, nemsisDiagnostic); so it is
handed back in the answer and nowhere else. The verdict is the gravest role, and for the rejection of single records
the UUIDs that the diagnostics of grave findings name.
"""

from collections.abc import Iterable

from lxml import etree

from gateway.adapters.report_checks import GRAVITY, Role, RuleReport
from gateway.adapters.schematron import SVRL

MOST = 4_000_000  #: bytes of findings given back in one report; as many again for those of at least ERROR

_SVRL = f"{{{SVRL}}}"
FINDINGS = (f"{_SVRL}failed-assert", f"{_SVRL}successful-report")
PATTERN, FIRED = f"{_SVRL}active-pattern", f"{_SVRL}fired-rule"
_UUID = "{http://www.nemsis.org}UUID"


def gather(documents: Iterable[bytes], *, most: int = MOST) -> RuleReport:
    """Make one report of the SVRL documents for the parts of a file, in their order.

    Where the findings are more than an answer should hold, warnings are left out and counted; the verdict is of all.
    Raises `XMLSyntaxError` for what is not XML: a mistake of ours.
    """
    gathered = _Gathered(most)
    for each in documents:
        gathered.add(each)
    return gathered.report()


class _Gathered:
    """One report for all parts of a file."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._size = 0
        self._root: etree._Element | None = None
        self._pattern: etree._Element | None = None
        self._fired: etree._Element | None = None
        self._roles: set[Role] = set()
        self._failed: dict[str, None] = {}
        self._unplaced = 0
        self._omitted = 0

    def add(self, document: bytes) -> None:
        """Take the findings of one part."""
        root = etree.fromstring(document, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))
        is_first = self._root is None
        if self._root is None:
            self._root = etree.Element(root.tag, dict(root.attrib), root.nsmap)
            self._root.extend(each for each in list(root) if each.tag not in {*FINDINGS, FIRED, PATTERN})
        for each in list(root):
            if each.tag in FINDINGS:
                self._judge(each)
            elif each.tag == FIRED:
                self._fired = each
            elif each.tag == PATTERN:
                each.attrib.pop("document", None)  # the path of a file on this machine
                self._pattern = each
                if is_first:  # all patterns are named once, and again only where they found something in a later part
                    self._root.append(each)

    def _judge(self, found: etree._Element) -> None:
        role = Role(found.get("role", Role.ERROR))
        self._roles.add(role)
        grave = role is not Role.WARNING
        if grave:
            uuids = [each.text.strip().lower() for each in found.iter(_UUID) if each.text and each.text.strip()]
            self._failed.update(dict.fromkeys(uuids))
            self._unplaced += not uuids
        size = len(etree.tostring(found))
        if self._size + size > self._most * (2 if grave else 1):
            self._omitted += 1
            return
        self._size += size
        assert self._root is not None
        if self._pattern is not None and self._pattern.getparent() is not self._root:
            self._root.append(self._pattern)
        if self._fired is not None and self._fired.getparent() is not self._root:
            self._root.append(self._fired)
        self._root.append(found)

    def report(self) -> RuleReport:
        """Give back what has been gathered."""
        assert self._root is not None, "a file has at least one part"
        return RuleReport(
            svrl=etree.tostring(self._root, encoding="UTF-8"),
            worst=max(self._roles, key=GRAVITY.index, default=None),
            failed_uuids=tuple(self._failed),
            failed_unplaced=self._unplaced,
            omitted=self._omitted,
        )
