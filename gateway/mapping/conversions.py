"""How the raw text of one HL7 v2 place becomes a value: the named conversions of mapping files.

Each takes the raw text of one repetition, never empty, and gives a value of the record, or None when there is
none: an empty part, or the delete indicator, which is never a value.

Data types are those of HL7 v2 chapter 2A; what a version left out, or a later one adds on the right, changes
nothing on the left (rules of compatibility, section 2.7).
"""

import datetime
from collections.abc import Iterable
from typing import NamedTuple

from gateway.adapters.er7_text import NULL, USUAL, Delimiters
from gateway.adapters.er7_times import read_time
from gateway.mapping.authorities import resolve
from gateway.mapping.source import Authority
from gateway.records import Address, Identifier, Location

#: Yes/no indicator (table 0136).
FLAGS = {"Y": True, "N": False}


def text(raw: str, delimiters: Delimiters, component: int = 1, subcomponent: int = 1) -> str | None:
    """Give back one part of a repetition, unescaped; a part left out is the first."""
    value = delimiters.part(raw, component, subcomponent)
    return None if value is NULL else value


def date(said: str) -> str | None:
    """Give back a date in ISO 8601, as precise as it was written, or None when it cannot be read.

    `1961-06-15`, `1961-06` or `1961`; a time of day behind the date is cut off, not converted: a birth date
    knows no zone.
    """
    if len(said) == 8 and said.isascii() and said.isdigit():
        return _calendar_day(said)  # nearly all of them
    time = read_time(said, datetime.UTC)
    return None if time is None else time.date


def _calendar_day(digits: str) -> str | None:
    day = f"{digits[:4]}-{digits[4:6]}-{digits[6:]}"
    try:
        datetime.date.fromisoformat(day)
    except ValueError:
        return None
    return day


class Layout(NamedTuple):
    """Where the components of an identifier stand in a data type, from 1, and how many are looked at."""

    authority: int
    type: int
    facility: int
    check_digit: int
    check_scheme: int
    start: int
    end: int
    length: int


#: Extended composite id with check digit (2A.2.14).
CX = Layout(authority=4, type=5, facility=6, check_digit=2, check_scheme=3, start=7, end=8, length=8)

#: Extended composite id and name of persons: the name stands between the number and its issuer.
XCN = Layout(authority=9, type=13, facility=14, check_digit=11, check_scheme=12, start=19, end=20, length=20)

#: The fields that are XCN; every other identifier is read as CX. Per-version definitions, 2.5.1.
XCN_FIELDS = frozenset(
    {
        *("DG1-16", "EVN-5", "IN1-30", "OBX-16", "OBX-25", "PD1-4", "PR1-8", "PR1-11", "PR1-12"),
        *("PV1-7", "PV1-8", "PV1-9", "PV1-17", "PV1-52", "PV2-13", "ROL-4"),
    }
)

#: The fields that are XPN, a name without a number in front. Per-version definitions, 2.5.1.
XPN_FIELDS = frozenset(["MRG-7", "NK1-2", "NK1-26", "NK1-30", "PID-5", "PID-6", "PID-9"])


def identifier(
    raw: str,
    delimiters: Delimiters,
    layout: Layout,
    authorities: Iterable[Authority],
    implied_type: str | None = None,
) -> Identifier | None:
    """Give back an identifier with the namespace that `authorities` resolve, or None when it has no value.

    `implied_type` is its type by the field it stands in, where it says none itself. An identifier without an
    assigning authority that still names somebody (a facility, jurisdiction or department) is nobody's by type:
    which of the two it belongs to would be a guess.

    The check digit is kept and never appended to the value: the standard's own examples carry digits that
    do not compute.
    """
    parts = components(raw, delimiters, layout.length)
    value, namespace, type_code = parts[0], parts[layout.authority - 1], parts[layout.type - 1]
    if value is None:
        return None
    universal_id = universal_id_type = None
    if delimiters.subcomponent in raw:
        universal_id = text(raw, delimiters, layout.authority, 2)
        universal_id_type = text(raw, delimiters, layout.authority, 3)
    known_by = type_code or implied_type
    if namespace is None and known_by is not None and _names_somebody(raw, delimiters, layout):
        known_by = None
    return Identifier(
        value=value,
        system=resolve(authorities, namespace, universal_id, universal_id_type, known_by),
        type=type_code,
        namespace=namespace,
        universal_id=universal_id,
        universal_id_type=universal_id_type,
        check_digit=parts[layout.check_digit - 1],
        check_scheme=parts[layout.check_scheme - 1],
        facility=parts[layout.facility - 1],
        start=parts[layout.start - 1],
        end=parts[layout.end - 1],
        written=raw if layout is CX and _says_more(raw, delimiters) else None,
    )


def _names_somebody(raw: str, delimiters: Delimiters, layout: Layout) -> bool:
    """Whether CX.6, CX.9 or CX.10 say whose an identifier is; the latter two in a CX only."""
    if raw.count(delimiters.component) < layout.facility - 1:
        return False
    others = (layout.facility, 9, 10) if layout is CX else (layout.facility,)
    return any(text(raw, delimiters, component) for component in others)


def _says_more(raw: str, delimiters: Delimiters) -> bool:
    """Whether a CX in the usual delimiters has parts that an `Identifier` has no field for: CX.6.2, CX.9 to CX.12."""
    if raw.count(delimiters.component) < CX.facility - 1 or delimiters.field != USUAL.field:
        return False
    if not delimiters.encoding_characters.startswith(USUAL.encoding_characters):
        return False
    further = raw.split(delimiters.component)
    return delimiters.subcomponent in further[CX.facility - 1] or any(further[CX.length :])


def location(raw: str, delimiters: Delimiters) -> Location | None:
    """Give back a person location (PL): unit, room, bed, and the facility by its namespace."""
    unit, room, bed, facility = components(raw, delimiters, 4)
    if unit is room is bed is facility is None:
        return None
    return Location(unit=unit, room=room, bed=bed, facility=facility)


def address(raw: str, delimiters: Delimiters) -> Address | None:
    """Give back an extended address (XAD): street, other designation, city, state, code, country."""
    street, other, city, state, code, country, _, _, district = components(raw, delimiters, 9)
    lines = tuple(line for line in (street, other) if line)
    if not lines and city is state is code is country is district is None:
        return None
    return Address(lines=lines, city=city, state=state, postal_code=code, country=country, district=district)


def name(raw: str, delimiters: Delimiters, family: int) -> str | None:
    """Give back a person's name as people read it: prefix, given, middle, family, suffix.

    `family` is the component in which the family name stands: 1 in XPN, 2 in XCN.
    """
    last, given, middle, suffix, prefix = components(raw, delimiters, family + 4)[family - 1 :]
    return " ".join(part for part in (prefix, given, middle, last, suffix) if part) or None


def components(raw: str, delimiters: Delimiters, count: int) -> list[str | None]:
    """Give back the first `count` components, each by its first subcomponent, None where there is none."""
    found: list[str | None]
    if delimiters.escape in raw or delimiters.subcomponent in raw or '"' in raw:
        found = [text(raw, delimiters, number) for number in range(1, count + 1)]
    else:
        found = [part or None for part in raw.split(delimiters.component, count)[:count]]
        found += [None] * (count - len(found))
    return found
