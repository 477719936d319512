"""Places in stored messages, as positions in their text: another value can be put there and no other byte changes.

An HL7 v2 message is never parsed and written anew: it is cut by its own delimiters, a value is exchanged, and
the pieces are put together again. Which fields date something is a table; what belongs to a person's life
rather than to the stay is left out of it: birth dates, the validity of names, addresses, contacts and
insurance, and the values of observations, of which only their code says what they date.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import tzinfo
from typing import NamedTuple, Self

from gateway.adapters.er7 import HEADERS, Message, read, trim
from gateway.adapters.er7_text import Delimiters
from gateway.adapters.er7_times import zone_of
from gateway.errors import SenderFault

#: Fields of type TS or DTM that date an event (HL7 v2 chapters 2, 3, 4, 6, 7 and 9, versions 2.1 to 2.8).
EVENT_FIELDS: dict[str, str] = {
    "MSH": "7",
    "EVN": "2 3 6",
    "PID": "29 33",
    "PV1": "44 45",
    "PV2": "8 9 33 47 48",
    "ACC": "1",
    "DG1": "5 19",
    "DRG": "2",
    "IAM": "13 20",
    "NTE": "6",
    "OBR": "6 7 8 14 22 36",
    "OBX": "14 19",
    "ORC": "9 15 27",
    "PDA": "4",
    "PR1": "5",
    "PRT": "11 12",
    "RMI": "2",
    "ROL": "5 6",
    "TQ1": "7 8",
    "TXA": "4 6 7 8",
}
#: Fields of type CX: components 7 and 8 say from when to when the identifier holds (2A, CX).
IDENTIFIER_FIELDS: dict[str, str] = {
    "PID": "2 3 4 18 21",
    "PV1": "5 19 50 54",
    "MRG": "1 2 3 4 5 6",
}


def _components_of(table: Mapping[str, str], components: tuple[int, ...]) -> dict[tuple[str, int], tuple[int, ...]]:
    return {(segment, int(field)): components for segment, fields in table.items() for field in fields.split()}


#: Segment and field → the components that hold a time. PV1-37 is a place and when the patient went there.
TIMES: dict[tuple[str, int], tuple[int, ...]] = {
    **_components_of(EVENT_FIELDS, (1,)),
    **_components_of(IDENTIFIER_FIELDS, (7, 8)),
    ("PV1", 37): (2,),
}
#: The fields by which a message itself is dated.
DATING = frozenset({("MSH", 7), ("EVN", 2), ("EVN", 6), ("PV1", 44), ("PV1", 45)})


class Place(NamedTuple):
    """One value in the text of a message: its segment and field, where it starts and ends, and what it is."""

    segment: str
    field: int
    start: int
    end: int
    value: str


class AdmissionText(NamedTuple):
    """An HL7 v2 message as text that can be written back byte for byte.

    `head` and `tail` are bytes around it that are no part of the message.
    """

    head: bytes
    text: str
    tail: bytes
    message: Message

    @classmethod
    def find(cls, body: bytes) -> Self | None:
        """Give back the text, or None when the bytes cannot be read, or not be written back as they were."""
        core = trim(body)[0]
        try:
            message = read(core, may_lack={9, 10, 12})
            text = core.decode(message.codec)
        except (SenderFault, UnicodeDecodeError):
            return None
        head, found, tail = body.partition(core)
        return cls(head, text, tail, message) if found and text.encode(message.codec) == core else None

    def with_values(self, changes: Iterable[tuple[Place, str]]) -> bytes:
        """Give back the bytes with other values at these places, given in the order of the text."""
        pieces, done = [], 0
        for place, value in changes:
            pieces += [self.text[done : place.start], value]
            done = place.end
        text = "".join([*pieces, self.text[done:]])
        return self.head + text.encode(self.message.codec) + self.tail

    def fields(self) -> Iterator[Place]:
        """Give back every field in order, by its number; MSH-1 and MSH-2 are left out."""
        separator = self.message.delimiters.field
        for line in re.finditer(r"[^\r\n]+", self.text):
            name, *values = line[0].split(separator)
            # MSH-1 is the separator itself, so the first text after the name is MSH-2 (2.5.4).
            first = 2 if name in HEADERS else 1
            start = line.start() + len(name) + 1
            for number, value in enumerate(values, first):
                if number > 2 or first == 1:
                    yield Place(name, number, start, start + len(value), value)
                start += len(value) + 1

    def times(self) -> Iterator[Place]:
        """Give back every value that may be a time, in order."""
        for field in self.fields():
            components = TIMES.get((field.segment, field.field))
            if components and field.value:
                yield from _components(field, components, self.message.delimiters)

    def zone(self, default: tzinfo) -> tzinfo:
        """Give back the zone of the times that name none: that of MSH-7 where it has one (MSH-7)."""
        return zone_of(self.message.header.field(7).split(self.message.delimiters.component)[0], default)


def _components(field: Place, wanted: tuple[int, ...], delimiters: Delimiters) -> Iterator[Place]:
    start = field.start
    for repetition in delimiters.repetitions(field.value):
        for number, component in enumerate(delimiters.components(repetition), 1):
            value = component.split(delimiters.subcomponent)[0]
            if value and number in wanted:
                yield Place(field.segment, field.field, start, start + len(value), value)
            start += len(component) + 1
