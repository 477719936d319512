"""The single values of a care report: from the element at a place to a value of the record.

A value that cannot be read costs the value, never the report, and is told at its place.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from lxml.etree import _Element as Element

from gateway.mapping.report_case import Case
from gateway.mapping.report_places import Spot, compile_spot
from gateway.mapping.rules import CARE_REPORT_VALUES, Conversion, Place
from gateway.mapping.tables import CodeTable
from gateway.records import Sex

AGE_UNITS = frozenset({"a", "mo", "wk", "d", "h", "min"})
FLAGS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}

Convert = Callable[[str, Case], Any]


class Unreadable(Exception):
    """A text that a conversion cannot take; `code` is the finding that says so. `Value` tells it and goes on."""

    def __init__(self, code: str = "value-unreadable") -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class Value:
    """One single value, compiled: its places in order of trust, and how its text is read.

    `name` is what mappings and origins call it, `field` what the part of the record that holds it does.
    """

    name: str
    field: str
    rule: str
    spots: tuple[Spot, ...]
    table: Mapping[str, str] | None
    convert: Convert | None
    is_list: bool = False

    def read(self, case: Case) -> Any:
        """Give back the value at the first place that has one, or None; for a list, all texts at all places."""
        return self._all(case) if self.is_list else self._first(case)

    def meaning(self, text: str, element: Element, case: Case) -> Any:
        """Give back the text translated by the table and read; None, with a finding, where that cannot be.

        A code that the table does not have stays as it is, unless only known words will do.
        """
        if self.table is not None:
            means = self.table.get(text)
            if means is None:
                case.tell("code-unknown", element)
                return None if self.convert else text
            text = means
        if self.convert is None:
            return text
        try:
            return self.convert(text, case)
        except Unreadable as error:
            case.tell(error.code, element)
            return None

    def _first(self, case: Case) -> Any:
        for spot in self.spots:
            elements = case.found.get(spot.tag, ())
            for element in elements:
                if spot.requirements and not spot.fits(element):
                    continue
                alone = len(elements) == 1
                text = case.take(self.name, self.rule, spot, element, alone=alone, above=case.base)
                if text is None:
                    continue
                if self.table is None and self.convert is None:
                    return text
                value = self.meaning(text, element, case)
                if value is not None:
                    return value
                del case.origins[self.name]
        return None

    def _all(self, case: Case) -> tuple[str, ...]:
        texts: list[str] = []
        for spot in self.spots:
            elements = case.found.get(spot.tag, ())
            for element in elements:
                if spot.fits(element):
                    name, alone = f"{self.name}[{len(texts)}]", len(elements) == 1
                    text = case.take(name, self.rule, spot, element, alone=alone, above=case.base)
                    if text is not None:
                        texts.append(text if self.table is None else self.meaning(text, element, case))
        return tuple(texts)


def compile_value(name: str, mapping: str, place: Place, tables: Mapping[str, CodeTable]) -> Value:
    """Give back the compiled form of one single value of a checked mapping."""
    spots = tuple(compile_spot(at, place.where) for at in place.places)
    table = None if place.table is None else tables[place.table].meanings
    kind = CARE_REPORT_VALUES[name]
    convert = _WORDS.get(name) or _CONVERSIONS[kind]
    return Value(name, name.rpartition(".")[2], f"{mapping}: {name}", spots, table, convert, is_list=kind == "texts")


# ── conversions ────────────────────────────────────────────────────────────────────────────────────


def read_time(text: str, case: Case) -> datetime:
    """Give back an xs:dateTime, which has its offset; without one it is the feed's local time.

    `24:00:00` is the first instant of the next day (XML Schema 1.0 part 2, 3.2.7). Raises `Unreadable`.
    """
    midnight = text[11:19] == "24:00:00"
    if text[10:11] != "T" or not text[5:7].isdigit() or (midnight and text[19:].strip(".0")[:1].isdigit()):
        raise Unreadable
    try:
        at = datetime.fromisoformat(f"{text[:11]}00{text[13:]}" if midnight else text)
        if at.tzinfo is None:
            at = _local(at, case)
        return at + timedelta(days=1) if midnight else at
    except (ValueError, OverflowError):
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
        return date.fromisoformat(day).isoformat() if day[4:5] == "-" else _refuse()
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
