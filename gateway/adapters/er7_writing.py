r"""HL7 v2 messages in ER7 encoding: written.

The rules (HL7 v2, edition 2.9.1, 2.5 to 2.7):

* Fields are given by number, so nobody counts separators, and MSH is numbered as the standard does.
* Every value is escaped; nothing in a value can end a field, a segment or a frame.
* No trailing separators, CR after every segment, MSH-18 says what the bytes are, nothing is cut silently.
"""

import re
from collections.abc import Iterable, Mapping

from gateway.adapters.er7 import Message
from gateway.adapters.er7_text import NAMES, NULL, NULL_TEXT, USUAL, Delimiters, Null
from gateway.errors import GatewayFault

_NAME = re.compile(r"[A-Z][A-Z0-9]{2}", re.ASCII)
_LINE_END = re.compile(r"\r\n|\r|\n")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


def write(message: Message) -> bytes:
    """Give back the message as bytes in its own character set: what came in, with CR ends and clean edges."""
    return message.text.encode(message.codec)


class Formatted(str):
    """A text of type TX or FT: its line ends are sent as `\\.br\\`."""

    __slots__ = ()


class Raw(str):
    """A piece already encoded with the delimiters of the message: a field to be handed on as it was."""

    __slots__ = ()


Leaf = str | Null | None  #: None and "" are not populated, `NULL` deletes
Component = Leaf | tuple[Leaf, ...]  #: a tuple is its subcomponents
Repetition = Component | tuple[Component, ...]  #: a tuple is its components
Field = Repetition | list[Repetition]  #: a list is its repetitions


def build(
    segments: Iterable[tuple[str, Mapping[int, Field]]], *, delimiters: Delimiters = USUAL, codec: str = "utf-8"
) -> bytes:
    """Give back a message from its segments, each a name and its fields by number, MSH first.

    MSH-1 and MSH-2 come from `delimiters`, MSH-18 from `codec` unless it is given. Every value is escaped;
    line ends in a value become a blank, or `\\.br\\` in `Formatted`. Raises `GatewayFault`, naming the place,
    for a control character, for two quotes that are not `NULL`, and for what the codec cannot write.
    """
    rows = [_build_segment(name, fields, delimiters, codec) for name, fields in segments]
    if not rows or not rows[0].startswith("MSH"):
        raise GatewayFault("a message to send does not start with MSH")
    try:
        return "".join(row + "\r" for row in rows).encode(codec)
    except UnicodeEncodeError as error:
        raise GatewayFault("a message to send has a character that its character set lacks") from error


def _build_segment(name: str, fields: Mapping[int, Field], delimiters: Delimiters, codec: str) -> str:
    if not _NAME.fullmatch(name):
        raise GatewayFault("a segment to send has no proper name")
    texts = {number: _build_field(field, delimiters, f"{name}-{number}") for number, field in fields.items()}
    first = 1
    if name == "MSH":
        first = 2
        texts = {18: NAMES.get(codec) or "", **texts, 2: delimiters.encoding_characters}
    last = max((number for number, text in texts.items() if text), default=0)
    return delimiters.field.join([name, *(texts.get(number, "") for number in range(first, last + 1))])


def _build_field(field: Field, delimiters: Delimiters, place: str) -> str:
    if isinstance(field, list):
        return _join(delimiters.repetition, (_build_repetition(one, delimiters, place) for one in field))
    return _build_repetition(field, delimiters, place)


def _build_repetition(repetition: Repetition, delimiters: Delimiters, place: str) -> str:
    if isinstance(repetition, tuple):
        return _join(delimiters.component, (_build_component(one, delimiters, place) for one in repetition))
    return _build_leaf(repetition, delimiters, place)


def _build_component(component: Component, delimiters: Delimiters, place: str) -> str:
    if isinstance(component, tuple):
        return _join(delimiters.subcomponent, (_build_leaf(one, delimiters, place) for one in component))
    return _build_leaf(component, delimiters, place)


def _build_leaf(leaf: Leaf, delimiters: Delimiters, place: str) -> str:
    if leaf is None:
        return ""
    if leaf is NULL:
        return NULL_TEXT
    if not leaf or leaf.isalnum():
        return leaf  # most values: letters and digits, and nothing to escape
    if leaf == NULL_TEXT and not isinstance(leaf, Raw):
        raise GatewayFault(f"{place}: two quotes would delete what the receiver has")
    lines = _LINE_END.split(leaf.replace("\t", " "))
    if any(_CONTROL.search(line) for line in lines):
        raise GatewayFault(f"{place}: a control character cannot be sent")
    if isinstance(leaf, Raw):
        return " ".join(lines)
    mark = delimiters.escape
    ends = f"{mark}.br{mark}" if isinstance(leaf, Formatted) else " "
    return ends.join(delimiters.escape_text(line) for line in lines)


def _join(separator: str, parts: Iterable[str]) -> str:
    return separator.join(parts).rstrip(separator)
