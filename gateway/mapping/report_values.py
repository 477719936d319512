"""The single values of a care report: from the element at a place to a value of the record.

A value that cannot be read costs the value, never the report, and is told at its place.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.mapping.report_places import Plan, Short, Spot, compile_spot
from gateway.mapping.report_sheet import Case, Sheet, Unreadable
from gateway.mapping.rules import CARE_REPORT_VALUES, Conversion, Place
from gateway.mapping.tables import CodeTable
from gateway.records import Sex

AGE_UNITS = frozenset({"a", "mo", "wk", "d", "h", "min"})
FLAGS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}

CENTURIES = ("19", "20")  # NEMSIS 3.5.1 XSD: times from 1950 to 2050

Convert = Callable[[str, Case], Any]


class Value(NamedTuple):
    """One single value, compiled: its name in mappings and origins, its places in order of trust, how it is read."""

    name: str
    rule: str
    spots: tuple[Spot, ...]
    table: Mapping[str, str] | None
    convert: Convert | None
    is_list: bool

    def read(self, sheet: Sheet) -> Any:
        """Give back the value at the first place that has one, or None; for a list, all texts at all places."""
        if self.is_list:
            return self._every(sheet)
        for spot in self.spots:
            for element in sheet.found.get(spot.tag, ()):
                value = self._value_at(self.name, spot, element, sheet)
                if value is not None:
                    return value
        return None

    def _every(self, sheet: Sheet) -> tuple[Any, ...]:
        values: list[Any] = []
        for spot in self.spots:
            for element in sheet.found.get(spot.tag, ()):
                value = self._value_at(f"{self.name}[{len(values)}]", spot, element, sheet)
                if value is not None:
                    values.append(value)
        return tuple(values)

    def _value_at(self, name: str, spot: Spot, element: Element, sheet: Sheet) -> Any:
        if spot.requirements and not spot.fits(element):
            return None
        text = sheet.take(name, self.rule, spot, element)
        return None if text is None else self.understand(name, text, element, sheet)

    def understand(self, name: str, text: str, element: Element, sheet: Sheet) -> Any:
        """Give back what a text that was taken means; None, with a finding, where it means nothing.

        A code that the table does not have stays as it is, unless only known words will do.
        """
        try:
            value = self.meaning(text, sheet.case)
        except Unreadable as error:
            sheet.case.tell(error.code, element)
            value = text if self.convert is None else None
        if value is None:
            del sheet.origins[sheet.here + name]
        return value

    def meaning(self, text: str, case: Case) -> Any:
        """Give back the text translated by the table and read. Raises `Unreadable`."""
        if self.table is not None:
            if text not in self.table:
                raise Unreadable("code-unknown")
            text = self.table[text]
        return text if self.convert is None else self.convert(text, case)

    def only(self, text: str, case: Case) -> tuple[Any]:
        """Give back the list of which one text is the whole. Raises `Unreadable`."""
        return (self.meaning(text, case),)

    def short(self) -> Short | None:
        """Give back what it takes to read the value at first sight; None for one that cannot be."""
        spot, *others = self.spots
        if others or not spot.is_plain:
            return None
        home = spot.inside[0] if spot.inside else None
        if self.is_list:
            return Short(self.name, f"{self.name}[0]", home, spot.path, self.rule, self.only)
        read = self.convert if self.table is None else self.meaning
        return Short(self.name, self.name, home, spot.path, self.rule, read)


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
    return Value(name, rule, spots, table, convert, is_list)


def settle(sheet: Sheet, values: Mapping[str, Value]) -> None:
    """Read those of `values` that are unsettled on a sheet."""
    for name in sheet.unsettled:
        if name in values:
            value = values[name].read(sheet)
            if value is not None and value != ():
                sheet.values[name] = value


def plan_of(values: Iterable[Value], others: Iterable[Spot] = ()) -> Plan:
    """Give back the plan that finds the elements of `values` and `others`: the former at first sight where it can.

    An element can be read at first sight for one value only.
    """
    plan: dict[str, Short | None] = {}
    for value in values:
        for spot in value.spots:
            plan[spot.tag] = plan.get(spot.tag) or value.short()
    return plan | {spot.tag: plan.get(spot.tag) for spot in others}


def careful_names(values: Iterable[Value], plan: Plan) -> tuple[str, ...]:
    """Give back the names of values that it always takes a closer look to read."""
    at_first_sight = {short.name for short in plan.values() if short is not None}
    return tuple(value.name for value in values if value.name not in at_first_sight)


# ── conversions ────────────────────────────────────────────────────────────────────────────────────


def read_time(text: str, case: Case) -> datetime:
    """Give back an xs:dateTime, which has its offset; without one it is the feed's local time.

    `24:00:00` is the first instant of the next day (XML Schema 1.0 part 2, 3.2.7). Raises `Unreadable`, also
    for a year that no run happens in and for the other forms of ISO 8601, which are none of xs:dateTime.
    """
    if text[4:11:3] != "--T" or text[:2] not in CENTURIES:
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
