"""Is an EMS data set valid by the NEMSIS schema? The answer in our words, because libxml2's quote values.

A finding names the element, the rule it breaks and what the schema would have there; never what stood there.
Validation needs the whole tree in memory (some ten times the file), so it bounds the number of elements.
"""

import re
from collections.abc import Iterator

from lxml import etree

from gateway.adapters.care_reports import SAFELY, checked_root, line_of, path_of, syntax_fault
from gateway.adapters.report_payload import USUAL, Limits, payload, too_large
from gateway.findings import finding
from gateway.records import Finding

MOST = 100  #: findings given back; a file of the wrong version breaks thousands of rules

#: What libxml2's rule names mean (XML Schema 1.0 part 1, appendix C.1; the names are cvc- with underscores).
RULES = {
    "SCHEMAV_ELEMENT_CONTENT": "does not have the elements the schema asks for, or not in that order",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_1": "must be empty",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_2": "may hold no elements",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_3": "may hold elements only, and holds text",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_4": "does not have the elements the schema asks for, or not in that order",
    "SCHEMAV_CVC_COMPLEX_TYPE_3_2_1": "has an attribute the schema does not know",
    "SCHEMAV_CVC_COMPLEX_TYPE_4": "lacks an attribute",
    "SCHEMAV_CVC_ELT_1": "is no element of the schema",
    "SCHEMAV_CVC_ELT_3_1": "may not be nil",
    "SCHEMAV_CVC_ELT_3_2_1": "is nil and has content",
    "SCHEMAV_CVC_ENUMERATION_VALID": "is none of the codes allowed here",
    "SCHEMAV_CVC_PATTERN_VALID": "has not the form the schema asks for",
    "SCHEMAV_CVC_MINLENGTH_VALID": "is too short",
    "SCHEMAV_CVC_MAXLENGTH_VALID": "is too long",
    "SCHEMAV_CVC_LENGTH_VALID": "has the wrong length",
    "SCHEMAV_CVC_MININCLUSIVE_VALID": "is less than the least allowed",
    "SCHEMAV_CVC_MAXINCLUSIVE_VALID": "is more than the most allowed",
    "SCHEMAV_CVC_TOTALDIGITS_VALID": "has too many digits",
    "SCHEMAV_CVC_FRACTIONDIGITS_VALID": "has too many decimals",
    "SCHEMAV_CVC_DATATYPE_VALID_1_2_1": "is not of the type the schema asks for",
    "SCHEMAV_CVC_DATATYPE_VALID_1_2_3": "is not of the type the schema asks for",
}
OTHER_RULE = "breaks a rule of the schema"

_ATTRIBUTE = re.compile(r"Element '[^']*', attribute '(?:\{[^}']*\})?([\w.-]{1,60})'")
_MISSING_ATTRIBUTE = re.compile(r"The attribute '([\w.-]{1,60})' is required")
_EXPECTED = re.compile(r"Expected is (?:one of )?\( ([^'()]*) \)\.\s*\Z")


def validate(data: bytes, schema: etree.XMLSchema, *, limits: Limits = USUAL) -> list[Finding]:
    """Give back what the schema finds, none for a valid file, at most `MOST`.

    Raises as `gateway.adapters.care_reports.reports` does for what is no EMS data set at all.
    """
    root = read_tree(data, limits=limits)
    if schema.validate(root):
        return []
    return list(_findings(root, schema))


def read_tree(data: bytes, *, limits: Limits = USUAL) -> etree._Element:
    """Give back the root of a whole EMS data set, read as carefully as `reports` does. Raises as it does."""
    if data.count(b"<") + data.count(b"=") > max(limits.marks, len(data) // 16):
        raise too_large("more elements than care reports of this size have")
    parser = etree.XMLParser(**SAFELY)
    try:
        for piece in payload(data, limits):
            parser.feed(piece)
        root = parser.close()
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None
    return checked_root(root)


def _findings(root: etree._Element, schema: etree.XMLSchema) -> Iterator[Finding]:
    """One finding an element: the first rule it breaks; the others follow from it."""
    told: set[str] = set()
    paths = {root: "/EMSDataSet"}
    for entry in schema.error_log:
        place = entry.path or "/*"
        if place not in told and len(told) < MOST:
            told.add(place)
            element = root.getroottree().xpath(place)[0]
            yield _finding(element, path_of(element, paths), entry)


def _finding(element: etree._Element, path: str, entry: etree._LogEntry) -> Finding:
    name = str(element.tag).rpartition("}")[2]
    rule = RULES.get(entry.type_name, OTHER_RULE)
    if attribute := _ATTRIBUTE.match(entry.message):
        path, name = f"{path}/@{attribute.group(1)}", f"{name}/@{attribute.group(1)}"
    said = f"{name} {rule}{_wanted(entry.message)}"
    return finding("report-schema", path=path, line=line_of(element), message=said)


def _wanted(message: str) -> str:
    """What the schema would have: names that come from the schema, not from the file."""
    if missing := _MISSING_ATTRIBUTE.search(message):
        return f": {missing.group(1)}"
    if expected := _EXPECTED.search(message):
        return f": {re.sub(r'{[^}]*}', '', expected.group(1))}"
    return ""
