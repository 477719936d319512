"""Is a submission valid by the official XML Schema? The answer in our words, because libxml2's quote values.

An error names the element, the rule it breaks and what the schema would have there; never what stood there. What the
schema would have is cut from behind the last fixed words of libxml2's sentence, where no value of the file can stand.

No tree is built: libxml2 validates while it parses, so a payload of any size takes the same memory. Only what is
invalid is gone through again, once to see during which element each error came up, once for the places
(`gateway.adapters.xml_places`). So a payload must be there to be read from its beginning several times.
"""

import re
from collections.abc import Callable, Iterator
from functools import partial
from typing import BinaryIO

from lxml import etree

from gateway.adapters.care_reports import SAFELY, syntax_fault
from gateway.adapters.report_checks import DataSet, SchemaError
from gateway.adapters.report_payload import USUAL, Limits, payload
from gateway.adapters.xml_places import Place, find_places
from gateway.findings import finding
from gateway.records import Finding

MOST = 100  #: errors given back; a file of the wrong version breaks thousands of rules
COUNTED = 1_000  #: errors counted; after that many the rest of the file would teach nobody anything
TOLD = 12  #: codes named where only some are allowed

Pieces = Callable[[], Iterator[bytes]]  # a payload, from its beginning each time

#: What libxml2's rule names mean (XML Schema 1.0 part 1, appendix C.1; the names are cvc- with underscores).
RULES = {
    "SCHEMAV_ELEMENT_CONTENT": "does not have the elements the schema asks for, or not in that order",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_1": "must be empty",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_2": "may hold no elements",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_3": "may hold elements only, and holds text",
    "SCHEMAV_CVC_COMPLEX_TYPE_2_4": "does not have the elements the schema asks for, or not in that order",
    "SCHEMAV_CVC_COMPLEX_TYPE_3_2_1": "is an attribute the schema does not know here",
    "SCHEMAV_CVC_COMPLEX_TYPE_4": "lacks an attribute",
    "SCHEMAV_CVC_TYPE_3_1_1": "is an attribute the schema does not know here",
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

#: How a value of the types with a form of their own looks (NEMSIS 3.5.1, commonTypes_v3.xsd).
FORMS = {
    "DateTimeType": "a date and time with its offset, as 2026-04-30T13:05:00-05:00",
    "DateOfBirth": "a date, as 1956-01-19",
    "date": "a date, as 1956-01-19",
    "dateTime": "a date and time, as 2026-04-30T13:05:00-05:00",
    "integer": "a whole number",
    "decimal": "a number",
}

_ATTRIBUTE = re.compile(r"Element '[^']*', attribute '(?:\{[^}']*\})?([\w.-]{1,60})'")
_MISSING_ATTRIBUTE = re.compile(r"The attribute '([\w.-]{1,60})' is required but missing\.\s*\Z")
_EXPECTED = re.compile(r"Expected is (?:one of )?\( ([^'()]*) \)\.\s*\Z")
_CODES = re.compile(r"is not an element of the set \{([^{}]*)\}\.\s*\Z")

#: Sentences that say more than the name of their rule.
_BY_SENTENCE = (
    (re.compile(r"Element '[^']*': This element is not expected\."), "may not stand here"),
    (re.compile(r"Element '[^']*': Missing child element\(s\)\."), "lacks an element"),
)

#: The fixed words behind which a limit of the schema stands, up to the words that close the sentence.
_LIMITS = (
    ("accepted by the pattern '", "'."),
    ("allowed minimum length of '", "'."),
    ("allowed maximum length of '", "'."),
    ("from the allowed length of '", "'."),
    ("the minimum value allowed ('", "')."),
    ("the maximum value allowed ('", "')."),
)
_TYPE = re.compile(
    r"is not a valid value of the (?:atomic|local atomic|list|union) type '(?:\{[^}']*\}|xs:)?([\w.-]+)'\.\s*\Z"
)


def validate(source: bytes | BinaryIO, schema: etree.XMLSchema, *, limits: Limits = USUAL) -> list[Finding]:
    """Give back what the schema finds in an EMS data set, none for a valid one, at most `MOST`.

    A file is read from its beginning as often as need be. Raises as `gateway.adapters.care_reports.reports` does for
    what is no EMS data set at all.
    """
    found, _ = schema_errors(partial(from_the_beginning, source, limits), schema)
    return [
        finding("report-schema", path=each.xpath, line=each.line or None, message=each.description) for each in found
    ]


def from_the_beginning(source: bytes | BinaryIO, limits: Limits, data_set: DataSet = DataSet.EMS) -> Iterator[bytes]:
    """Give back a payload as `payload` does, from where it begins, wherever a reading before has stopped."""
    if not isinstance(source, bytes):
        source.seek(0)
    return payload(source, limits, data_set)


def schema_errors(pieces: Pieces, schema: etree.XMLSchema) -> tuple[tuple[SchemaError, ...], int]:
    """Give back the first errors of a payload and how many elements are in error, which are counted up to `COUNTED`.

    One error an element: the first rule it breaks, from which the others follow. `pieces` gives the payload as
    `gateway.adapters.report_payload.payload` does, and so raises what that raises; raises `UnreadableMessage` with
    `report-xml` or `report-too-deep` besides.
    """
    if not _parse(pieces(), schema, _Nothing()):
        return (), 0
    watch = _Watch()
    _parse(pieces(), schema, watch)
    places = find_places(pieces(), set(list(watch.entries)[:MOST]))
    return tuple(_error(places[number], watch.entries[number]) for number in sorted(places)), len(watch.entries)


class _Nothing:
    """A parse of which nothing is kept."""

    parser: etree.XMLParser

    def close(self) -> None:
        """End the document."""


class _Watch(_Nothing):
    """Sees during which element each error came up: libxml2 tells of it before the next tag is told of.

    `entries` are the first errors of the elements by the elements' numbers, which count start tags from 0.
    """

    def __init__(self) -> None:
        self.entries: dict[int, etree._LogEntry] = {}
        self._seen = self._started = self._last = 0
        self._open: list[int] = []

    def start(self, _tag: str, _attributes: object) -> None:
        """Begin an element."""
        self._look()
        self._last = self._started
        self._open.append(self._last)
        self._started += 1

    def end(self, _tag: str) -> None:
        """End an element."""
        self._look()
        self._last = self._open.pop()

    def close(self) -> None:
        """End the document."""
        self._look()

    def _look(self) -> None:
        """Attribute what came up since the last tag to the element of that tag."""
        log = self.parser.feed_error_log
        if len(log) > self._seen:
            self.entries.setdefault(self._last, log[self._seen])
            self._seen = len(log)


def _parse(pieces: Iterator[bytes], schema: etree.XMLSchema, target: _Nothing) -> bool:
    """Give back whether the schema has found errors, by when a good many are enough. Raises `UnreadableMessage`."""
    # lxml asks a target which methods it has; its types want them all
    parser = target.parser = etree.XMLParser(target=target, schema=schema, **SAFELY)  # type: ignore[call-overload]
    try:
        for piece in pieces:
            parser.feed(piece)
            if len(parser.feed_error_log) >= COUNTED:
                target.close()
                return True
        parser.close()
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None
    return len(parser.feed_error_log) > 0


# ── in our words ───────────────────────────────────────────────────────────────────────────────────


def _error(place: Place, entry: etree._LogEntry) -> SchemaError:
    path, name = place.path, place.name
    if attribute := _ATTRIBUTE.match(entry.message):
        path, name = f"{path}/@{attribute.group(1)}", f"{name}/@{attribute.group(1)}"
    said = f"{name} {_rule(entry)}{_wanted(entry.message)}"
    return SchemaError(description=said, element=place.name, line=place.line, column=place.column, xpath=path)


def _rule(entry: etree._LogEntry) -> str:
    for sentence, rule in _BY_SENTENCE:
        if sentence.match(entry.message):
            return rule
    return RULES.get(entry.type_name, OTHER_RULE)


def _wanted(message: str) -> str:
    """What the schema would have: names, codes and limits that come from the schema, not from the file."""
    if missing := _MISSING_ATTRIBUTE.search(message):
        return f": {missing.group(1)}"
    if expected := _EXPECTED.search(message):
        return f": the schema has {_listed(re.sub(r'{[^}]*}', '', expected.group(1)).split(', '), ' or ')} here"
    if codes := _CODES.search(message):
        return f": {_listed([code.strip(chr(39)) for code in codes.group(1).split(', ')], ', ')}"
    if kind := _TYPE.search(message):
        return f": {FORMS[kind.group(1)]}" if kind.group(1) in FORMS else ""
    return next((f": {found}" for before, after in _LIMITS if (found := _behind_last(message, before, after))), "")


def _listed(names: list[str], joined: str) -> str:
    more = f" and {len(names) - TOLD} more" if len(names) > TOLD else ""
    return joined.join(names[:TOLD]) + more


def _behind_last(message: str, before: str, after: str) -> str:
    """What stands behind the last of some fixed words; a value may hold the words too, but stands before them."""
    _, found, limit = message.strip().rpartition(before)
    return limit.removesuffix(after) if found and limit.endswith(after) else ""
