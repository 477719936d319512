"""Why an answer says no, in the words of whoever answered; and whether it says that it knew the message.

The rules:

* Another system's words may quote a person. They are shown to whoever runs the replay, who holds the messages
  anyway, and go nowhere else: they are never logged.
* HL7 v2 (2.9.1, 2.15.5 and 2.15.8): each ERR says where (ERR-2, before 2.5 ERR-1) and what (ERR-8, ERR-7, else
  the words of its code); MSA-3 says it for the whole message.
* HTTP: the issues of a FHIR R4 OperationOutcome, the problem details of RFC 9457, the first line of plain text;
  else the name of the status.
* A message was known when a condition of table 0357 says so (205), or a FHIR issue (`duplicate`), or the word
  duplicate stands in what is said.
"""

import re
from collections.abc import Iterable, Iterator
from http import HTTPStatus
from typing import Any, NamedTuple

import orjson

from gateway.adapters.acknowledgements import CONDITIONS
from gateway.adapters.er7 import Message, Position, Segment, read
from gateway.errors import SenderFault

LONGEST = 2000  # characters; some answers carry a whole stack of calls
_KNOWN = "205"  # table 0357: duplicate key identifier
_DUPLICATE = re.compile(r"\bduplicated?\b", re.IGNORECASE)
_GRAVE = {"fatal", "error"}


class Said(NamedTuple):
    """What an answer says on one line, empty where it says nothing; and whether it knew the message before."""

    text: str = ""
    is_duplicate: bool = False


def _said(parts: Iterable[str], *, is_duplicate: bool = False) -> Said:
    text = "; ".join(dict.fromkeys(line for part in parts if (line := " ".join(part.split()))))
    return Said(cut(text, LONGEST), is_duplicate or _DUPLICATE.search(text) is not None)


def cut(text: str, length: int) -> str:
    """Give back a text of at most `length` characters, cut between words if need be, and then marked so."""
    if len(text) <= length:
        return text
    between = text[:length].rpartition(" ")[0]
    return f"{between if len(between) > length // 2 else text[: length - 1]}…"


# ── HL7 v2 ─────────────────────────────────────────────────────────────────────────────────────────


def said_by_acknowledgement(data: bytes) -> Said:
    """Give back what MSA and ERR of an answer say. Never raises for bad bytes."""
    try:
        message = read(data, may_lack=(9, 10, 12))
    except SenderFault:
        return Said()
    complaints = list(_complaints(message))
    parts = [*(each.line for each in complaints), _whole(message, Position("MSA", 3))]
    return _said(parts, is_duplicate=any(each.code == _KNOWN for each in complaints))


class _Complaint(NamedTuple):
    """One condition: its code, the places, and what is said of it."""

    code: str
    where: str
    what: str

    @property
    def line(self) -> str:
        what = self.what or CONDITIONS.get(self.code, self.code)
        return ": ".join(part for part in (self.where, what) if part)


def _complaints(message: Message) -> Iterator[_Complaint]:
    for number, segment in enumerate(message.segments("ERR"), 1):
        if any(map(segment.field, (2, 3, 7, 8))):
            words = (_whole(message, Position("ERR", field, occurrence=number)) for field in (8, 7))
            where = ", ".join(_places(segment, 2))
            what = "; ".join(filter(None, words)) or segment.said(3, 9) or segment.said(3, 2)
            yield _Complaint(segment.said(3), where, what)
        else:
            yield from _earlier_complaints(segment)


def _earlier_complaints(segment: Segment) -> Iterator[_Complaint]:
    """ERR-1 to 2.4: place and code in one, which may repeat."""
    for number, where in enumerate(_places(segment, 1), 1):
        code, words = (segment.value(1, 4, part, repetition=number) for part in (1, 2))
        yield _Complaint(code if isinstance(code, str) else "", where, words if isinstance(words, str) else "")


def _places(segment: Segment, field: int) -> Iterator[str]:
    """Each repetition of a location (ERL, ELD) as a position; as far as it is one."""
    for repetition in segment.repetitions(field):
        name, *numbers = segment.delimiters.components(repetition)[:6]
        occurrence, place, again, component, part = (*map(_number, numbers), *[None] * 5)[:5]
        if field == 1:  # an ELD ends with the code
            again = component = part = None
        yield str(Position(name, place, component, part, again or 1, occurrence or 1)) if name else ""


def _number(text: str) -> int | None:
    return int(text) if re.fullmatch(r"[1-9]\d{0,4}", text, re.ASCII) else None


def _whole(message: Message, position: Position) -> str:
    value = message.formatted(position)
    return value if isinstance(value, str) else ""


# ── HTTP ───────────────────────────────────────────────────────────────────────────────────────────


def said_by_response(status: int, media_type: str, body: bytes) -> Said:
    """Give back what an HTTP answer says; of a yes only whether the message was known. Never raises for bad bytes."""
    said = _said_in_body(media_type, body)
    if 200 <= status < 300:
        return said if said.is_duplicate else Said()
    return said if said.text else Said(_name_of(status))


def _said_in_body(media_type: str, body: bytes) -> Said:
    if body.lstrip(b"\x0b\r\n ").startswith(b"MSH"):
        return said_by_acknowledgement(body)
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError:
        is_plain = media_type.partition(";")[0].strip().lower() == "text/plain"
        return _said([body.decode("utf-8", "replace").strip().partition("\n")[0]] if is_plain else [])
    if not isinstance(document, dict):
        return Said()
    if document.get("resourceType") == "OperationOutcome":
        return _said_in_outcome(document)
    return _said([": ".join(filter(None, (_text(document, "title"), _text(document, "detail"))))])


def _said_in_outcome(outcome: dict[str, Any]) -> Said:
    """The issues that weigh most: errors, else that it is a duplicate, else all there are.

    A payload of which anything was new is no duplicate.
    """
    issues = [each for each in _list(outcome, "issue") if isinstance(each, dict)]
    known = [each for each in issues if _text(each, "code") == "duplicate"]
    if any(_text(each, "code") == "informational" and not _list(each.get("details"), "coding") for each in issues):
        known = []
    grave = [each for each in issues if _text(each, "severity") in _GRAVE]
    return _said(map(_issue_line, grave or known or issues), is_duplicate=bool(known))


def _issue_line(issue: dict[str, Any]) -> str:
    details = issue.get("details")
    words = _text(details, "text") or next((_text(each, "display") for each in _list(details, "coding")), "")
    places = [each for each in _list(issue, "expression") or _list(issue, "location") if isinstance(each, str)]
    more = _text(issue, "diagnostics")
    what = f"{words} ({more})" if words and more else words or more or _text(issue, "code")
    return ": ".join(part for part in (", ".join(places), what) if part)


def _text(document: Any, key: str) -> str:
    value = document.get(key) if isinstance(document, dict) else None
    return value if isinstance(value, str) else ""


def _list(document: Any, key: str) -> list[Any]:
    value = document.get(key) if isinstance(document, dict) else None
    return value if isinstance(value, list) else []


def _name_of(status: int) -> str:
    """The name of a status (RFC 9110, section 15), and what a redirect means here."""
    name = HTTPStatus(status).phrase if status in {each.value for each in HTTPStatus} else ""
    return f"{name}: a redirect, which is not followed" if 300 <= status < 400 else name
