"""The single values of a care report: from the element at a place to a value of the record.

A value that cannot be read costs the value, never the report, and is told at its place.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.mapping.report_places import Plan, Short, Spot, compile_spot
from gateway.mapping.report_sheet import Case, Sheet
from gateway.mapping.rules import CARE_REPORT_VALUES, Conversion, Place
from gateway.mapping.tables import CodeTable
from gateway.records import Sex

AGE_UNITS = frozenset({"a", "mo", "wk", "d", "h", "min"})
FLAGS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}

CENTURIES = ("19", "20")  # NEMSIS 3.5.1 XSD: times from 1950 to 2050

Convert = Callable[[str, Case], Any]


class Unreadable(Exception):
    """A text that a conversion cannot take; `code` is the finding that says so. `Value` tells it and goes on."""

    def __init__(self, code: str = "value-unreadable") -> None:
        super().__init__(code)
        self.code = code


class Value(NamedTuple):
    """One single value, compiled: its places in order of trust, and how its text is read.

    `name` is what mappings and origins call it, `field` what the part of the record that holds it does;
    `is_text` tells that the text at the place is the value.
    """

    name: str
    field: str
    rule: str
    spots: tuple[Spot, ...]
    table: Mapping[str, str] | None
    convert: Convert | None
    is_list: bool
    is_text: bool

    def read(self, sheet: Sheet) -> Any:
        """Give back the value at the first place that has one, or None; for a list, all texts at all places."""
        if self.is_list:
            return self._every(sheet)
        if self.name in sheet.texts:
            text = sheet.texts[self.name]
            if text is None or self.is_text:
                return text
            return self._meaning(self.name, text, sheet.firsts[self.spots[0].tag], sheet)
        for spot in self.spots:
            for element in sheet.elements(spot.tag):
                value = self._value_at(self.name, spot, element, sheet)
                if value is not None:
                    return value
        return None

    def _every(self, sheet: Sheet) -> tuple[Any, ...]:
        values: list[Any] = []
        for spot in self.spots:
            for element in sheet.elements(spot.tag):
                value = self._value_at(f"{self.name}[{len(values)}]", spot, element, sheet)
                if value is not None:
                    values.append(value)
        return tuple(values)

    def _value_at(self, name: str, spot: Spot, element: Element, sheet: Sheet) -> Any:
        if spot.requirements and not spot.fits(element):
            return None
        text = sheet.take(name, self.rule, spot, element)
        return None if text is None else self._meaning(name, text, element, sheet)

    def _meaning(self, name: str, text: str, element: Element, sheet: Sheet) -> Any:
        """The text translated by the table and read; None, with a finding, where that cannot be.

        A code that the table does not have stays as it is, unless only known words will do.
        """
        try:
            if self.table is not None:
                text = self._translated(text, element, sheet.case)
            value = text if self.convert is None else self.convert(text, sheet.case)
        except Unreadable as error:
            sheet.case.tell(error.code, element)
            value = None
        if value is None:
            del sheet.origins[sheet.here + name]
        return value

    def _translated(self, code: str, element: Element, case: Case) -> str:
        assert self.table is not None
        if code in self.table:
            return self.table[code]
        if self.convert is not None:
            raise Unreadable("code-unknown")
        case.tell("code-unknown", element)
        return code


def compile_value(name: str, mapping: str, place: Place, tables: Mapping[str, CodeTable]) -> Value:
    """Give back the compiled form of one single value of a checked mapping."""
    kind = CARE_REPORT_VALUES[name]
    convert = _WORDS.get(name) or _CONVERSIONS[kind]
    return build_value(name, f"{mapping}: {name}", place, tables, convert=convert, is_list=kind == "texts")


def build_value(
    name: str,
    rule: str,
    place: Place,
    tables: Mapping[str, CodeTable],
    *,
    convert: Convert | None,
    is_list: bool,
    below: str | None = None,
) -> Value:
    """Give back a value whose places are below the report, or below the row of a group whose path is `below`."""
    spots = tuple(compile_spot(at, place.where, below=below) for at in place.places)
    table = None if place.table is None else tables[place.table].meanings
    return Value(name, name.rpartition(".")[2], rule, spots, table, convert, is_list, table is None and convert is None)


def read_all(values: Iterable[Value], sheet: Sheet) -> dict[str, Any]:
    """Read values into the fields of the record that hold them; what stands ready is not asked for twice."""
    texts = sheet.texts
    return {
        value.field: texts[value.name] if value.is_text and value.name in texts else value.read(sheet)
        for value in values
    }


def plan_of(values: Iterable[Value], others: Iterable[Spot]) -> Plan:
    """Give back the plan that finds the elements of `values` and `others`: the former at first sight where it can."""
    plan: dict[str, Short | None] = {}
    for value in values:
        for spot in value.spots:
            alone = len(value.spots) == 1 and spot.is_plain and not value.is_list
            if alone and plan.get(spot.tag) is None:
                plan[spot.tag] = Short(value.name, spot.parent, spot.path, value.rule)
            else:
                plan.setdefault(spot.tag, None)
    for spot in others:
        plan.setdefault(spot.tag, None)
    return plan


# ── conversions ────────────────────────────────────────────────────────────────────────────────────


def read_time(text: str, case: Case) -> datetime:
    """Give back an xs:dateTime, which has its offset; without one it is the feed's local time.

    `24:00:00` is the first instant of the next day (XML Schema 1.0 part 2, 3.2.7). Raises `Unreadable`, also
    for a year that no run happens in and for the other forms of ISO 8601, which are none of xs:dateTime.
    """
    if text[:2] not in CENTURIES or text[5:6] not in "01" or text[10:11] != "T":
        raise Unreadable
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = _end_of_day(text)
    return at if at.tzinfo is not None else _local(at, case)


def _end_of_day(text: str) -> datetime:
    if text[11:19] != "24:00:00" or text[19:].lstrip(".0")[:1].isdigit():
        raise Unreadable
    try:
        return datetime.fromisoformat(f"{text[:11]}00{text[13:]}") + timedelta(days=1)
    except ValueError:
        raise Unreadable from None


def _local(at: datetime, case: Case) -> datetime:
    """The instant of a local time; refused where the clock change skips or repeats it (PEP 495)."""
    case.has_local_times = True
    at = at.replace(tzinfo=case.source.zone)
    if at.utcoffset() != at.replace(fold=1).utcoffset():
        raise Unreadable("time-impossible")
    return at


def read_date(text: str, _: Case) -> str:
    """Give back an xs:date as `1961-06-15`; a zone behind it is dropped and moves no day. Raises `Unreadable`."""
    day, zone = text[:10], text[10:]
    if zone not in ("", "Z") and not (len(zone) == 6 and zone[0] in "+-" and zone[3] == ":"):
        raise Unreadable
    try:
        return date.fromisoformat(day).isoformat() if day[4:5] == "-" and day[5:6] in "01" else _refuse()
    except ValueError:
        raise Unreadable from None


def read_number(text: str, _: Case) -> int:
    """Give back a whole number of ordinary size. Raises `Unreadable`."""
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Unreadable
    return int(text)


def read_flag(text: str, _: Case) -> bool | None:
    """Give back what yes, no or unknown means. Raises `Unreadable`."""
    if text not in FLAGS:
        raise Unreadable("code-unknown")
    return FLAGS[text]


def _sex(text: str, _: Case) -> Sex:
    try:
        return Sex(text)
    except ValueError:
        raise Unreadable("code-unknown") from None


def _age_unit(text: str, _: Case) -> str:
    if text not in AGE_UNITS:
        raise Unreadable("code-unknown")
    return text


def _refuse() -> str:
    raise Unreadable


#: Values whose text must be one of the record's own words.
_WORDS: dict[str, Convert] = {"patient.sex": _sex, "patient.age_unit": _age_unit}

_CONVERSIONS: dict[Conversion, Convert | None] = {
    "text": None,
    "texts": None,
    "date": read_date,
    "time": read_time,
    "number": read_number,
    "flag": read_flag,
}
