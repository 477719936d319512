"""FHIR R4 data types as plain dicts, built by small functions that cannot build a wrong one.

Rules of this file.

* What goes in may be anything a sender wrote; what comes out fits the R4 schema. Text that JSON or XML cannot
  carry is marked with U+FFFD, never dropped in silence.
* An element without content is left out: FHIR knows no null and no empty list.
* Every dict is fresh, so that a caller may change what it was given.

Source: FHIR R4 4.0.1, data types (https://hl7.org/fhir/R4/datatypes.html).
"""

import hashlib
import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from html import escape
from typing import Any

from gateway.adapters.fhir_codes import ABSENT_EXTENSION, UCUM, Term

Json = dict[str, Any]

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_OID = re.compile(r"[0-2](\.(0|[1-9][0-9]*))+")
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:\S+")
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_PARTIAL_DATE = re.compile(r"(?!0000)[0-9]{4}(-(0[1-9]|1[0-2]))?")
_FULL_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_NUMBER = re.compile(r"-?[0-9]{1,9}(\.[0-9]{1,6})?")
_BLANK = re.compile(r"[^\S \r\n\t]")
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_LIMIT = timedelta(hours=14)  # the widest offset a FHIR dateTime may have


def compact(**fields: Any) -> Json:
    """Give back the fields that have content; False and 0 are content."""
    return {name: value for name, value in fields.items() if value or value == 0}


# ── primitives ─────────────────────────────────────────────────────────────────────────────────────


def text(value: str | None) -> str | None:
    """Give back `value` as a FHIR string, None when there is nothing but blanks in it."""
    if not value or value.isspace():
        return None
    if value.isprintable():
        return value
    return _BLANK.sub(" ", _UNWRITABLE.sub("�", value))


def code(value: str | None) -> str | None:
    """Give back `value` as a FHIR code: no blank at either end, single ones between."""
    cleaned = text(value)
    if cleaned is None or cleaned.isalnum():
        return cleaned
    return " ".join(cleaned.split())


def uri(value: str | None) -> str | None:
    """Give back `value` when it is a URI with a scheme, else None: a name is never made into a namespace."""
    return value if value and value.isprintable() and _URI.fullmatch(value) else None


def moment(value: datetime) -> str:
    """Give back an aware time as dateTime and instant, in the offset it came with where FHIR allows that."""
    offset = value.utcoffset()
    if offset is None:
        raise ValueError("a time without zone cannot be written")
    if offset.microseconds or offset.seconds % 60 or abs(offset) > _LIMIT:
        value = value.astimezone(UTC)
    return value.isoformat()


def moment_or_none(value: datetime | None) -> str | None:
    """Give back the time, or None where there is none."""
    return moment(value) if value is not None else None


def partial_date(value: str | None) -> str | None:
    """Give back a year, a month or a day of the calendar as FHIR date; None for anything else."""
    if value is None or _PARTIAL_DATE.fullmatch(value):
        return value
    if not _FULL_DATE.fullmatch(value):
        return None
    try:
        return date.fromisoformat(value).isoformat()
    except ValueError:
        return None


def date_of_v2(value: str | None) -> str | None:
    """Give back the day, month or year at the head of an HL7 v2 date as FHIR date, or None."""
    if not value or not value[:8].isascii():
        return None
    parts = (value[:4], value[4:6], value[6:8])
    return partial_date("-".join(part for part in parts if part))


def number(value: str | None) -> int | float | None:
    """Give back a measured number, or None when the text is none (`High`, `P`)."""
    if value is None or not _NUMBER.fullmatch(value.strip()):
        return None
    return float(value) if "." in value else int(value)


def resource_id(wanted: str) -> str:
    """Give back `wanted` when it is a legal resource id, else a digest of it: the same text, the same id."""
    return wanted if _ID.fullmatch(wanted) else hashlib.sha256(wanted.encode("utf-8", "surrogatepass")).hexdigest()


def urn(universal_id: str | None, kind: str | None) -> str | None:
    """Give back the URI of an HL7 v2 HD: OID and UUID become URNs, a URI stays; others have none."""
    if universal_id is None:
        return None
    if kind == "ISO" and _OID.fullmatch(universal_id):
        return f"urn:oid:{universal_id}"
    if kind == "UUID" and _UUID.fullmatch(universal_id.lower()):
        return f"urn:uuid:{universal_id.lower()}"
    return uri(universal_id) if kind == "URI" else None


# ── complex types ──────────────────────────────────────────────────────────────────────────────────


def coding(system: str | None, value: str | None, display: str | None = None) -> Json:
    """Give back a Coding, without system where none is known for sure; empty when there is no code."""
    written = code(value)
    if written is None:
        return {}
    made = {"code": written} if system is None else {"system": system, "code": written}
    if words := text(display):
        made["display"] = words
    return made


def concept(*codings: Json, words: str | None = None) -> Json:
    """Give back a CodeableConcept of the codings that are not empty, and words for people."""
    made: Json = {}
    if filled := [coding for coding in codings if coding]:
        made["coding"] = filled
    if written := text(words):
        made["text"] = written
    return made


def of_term(term: Term) -> Json:
    """Give back the CodeableConcept of one term of our tables."""
    system, value, display = term
    return {"coding": [{"system": system, "code": value, "display": display}]}


def quantity(value: float, unit: str | None, words: str | None = None) -> Json:
    """Give back a Quantity in a UCUM unit; without one, `words` alone may name the unit."""
    named = text(words) or unit
    if unit is None:
        return {"value": value, "unit": named} if named else {"value": value}
    return {"value": value, "unit": named, "system": UCUM, "code": unit}


def period(start: datetime | None, end: datetime | None) -> Json:
    """Give back a Period. An end before the start is a fault of the source and is left out (invariant per-1)."""
    if start and end and end < start:
        end = None
    return compact(start=moment_or_none(start), end=moment_or_none(end))


def absent(reason: str) -> Json:
    """Give back what stands in place of a value that is not there: the extension data-absent-reason."""
    return {"extension": [{"url": ABSENT_EXTENSION, "valueCode": reason}]}


def narrative(*paragraphs: str | None) -> Json:
    """Give back a Narrative; the paragraphs are text and become XHTML here."""
    body = "".join(f"<p>{escape(words)}</p>" for words in map(text, paragraphs) if words)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body or "<p>empty</p>"}</div>'}


def notes(lines: Iterable[str | None]) -> list[Json]:
    """Give back one Annotation for each line that says something."""
    return [{"text": words} for words in map(text, lines) if words]
