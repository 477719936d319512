"""The repeating groups of a care report: vital signs, drugs, procedures, numbers of other systems.

Groups that must occur once stand there all nil when nothing was done (NEMSIS 3.5.1 XSD), so a group counts
only for what it says: a drug or procedure has a code, a set of vital signs at least one value or pertinent
negative. A drug or procedure whose code carries a PN was *not* given or done, and says so in `negative`.
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.mapping.authorities import resolve
from gateway.mapping.report_places import Plan, Spot, compile_spot
from gateway.mapping.report_sheet import Sheet, Statement
from gateway.mapping.report_values import (
    Convert,
    Value,
    build_value,
    plan_of,
    read_all,
    read_flag,
    read_number,
    read_time,
)
from gateway.mapping.rules import Group as GroupRule
from gateway.mapping.tables import CodeTable
from gateway.records import Identifier, Medication, Procedure, Reading, VitalSigns

#: How the values of groups are read; all others are text.
_CONVERSIONS: dict[str, Convert] = {
    "at": read_time,
    "before_unit": read_flag,
    "successful": read_flag,
    "attempts": read_number,
}

_LISTS = frozenset({"complications"})

#: Values of a set of vital signs that are no measurement themselves.
_NO_READINGS = frozenset({"at", "before_unit", "etco2_unit"})


class Group(NamedTuple):
    """One repeating group, compiled: the element that repeats, and the values of one row by name.

    `beside_code` are the values but the one that a statement is about.
    """

    name: str
    each: Spot
    values: Mapping[str, Value]
    plan: Plan
    beside_code: tuple[Value, ...]

    def rows(self, report: Sheet, records: list[Any]) -> Iterator["Row"]:
        """Give back every occurrence of the group; `records` are those that have come of the rows before."""
        rows = report.elements(self.each.tag)
        for number, element in enumerate(rows, 1):
            parent = element.getparent()
            usual = parent is not None and parent.tag == self.each.parent and parent is rows[0].getparent()
            path = f"{report.above}{self.each.path}[{number}]" if usual else report.case.document.path_of(element)
            row = Row(report, self.values, above=f"{path}/", here=f"{self.name}[{len(records)}].")
            row.gather(element.iter(), self.plan)
            yield row


class Row(Sheet):
    """One occurrence of a group; `keep` gives its origins to the report, once it has become a record."""

    __slots__ = ("report", "values")

    def __init__(self, report: Sheet, values: Mapping[str, Value], *, above: str, here: str) -> None:
        super().__init__(report.case, above=above, here=here)
        self.report = report
        self.values = values

    def read(self, name: str) -> Any:
        """Give back a value of the row; None where it has none, or where the mapping does not place it."""
        value = self.values.get(name)
        return None if value is None else value.read(self)

    def statement(self, name: str) -> Statement | None:
        """Give back a statement of the row: what it is about, and the PN that negates it."""
        text = self.texts.get(name)
        if text is not None:
            return text, None
        value = self.values.get(name)
        if value is not None:
            for spot in value.spots:
                for element in self.elements(spot.tag):
                    stated = self.state(name, value.rule, spot, element) if spot.fits(element) else None
                    if stated:
                        return stated
        return None

    def holds(self, name: str, elements: frozenset[Element]) -> bool:
        """Whether one of these elements stands at the places of a value."""
        value = self.values.get(name)
        tags = () if value is None else [spot.tag for spot in value.spots]
        return any(element in elements for tag in tags for element in self.elements(tag))

    def keep(self) -> None:
        """Give the origins to the report."""
        self.report.origins.update(self.origins)


def compile_group(name: str, mapping: str, rule: GroupRule, tables: Mapping[str, CodeTable]) -> Group:
    """Give back the compiled form of a group of a checked mapping."""
    values = {
        key: build_value(
            key,
            f"{mapping}: {name}.{key}",
            place,
            tables,
            convert=_CONVERSIONS.get(key),
            is_list=key in _LISTS,
            below=rule.each,
        )
        for key, place in rule.values.items()
    }
    beside_code = tuple(value for key, value in values.items() if key != "code")
    return Group(name, compile_spot(rule.each, {}), values, plan_of(values.values(), ()), beside_code)


def read_vitals(group: Group, report: Sheet) -> tuple[VitalSigns, ...]:
    """Give back the sets of vital signs that say anything."""
    signs: list[VitalSigns] = []
    for row in group.rows(report, signs):
        readings = _readings(row)
        if any(reading.value is not None or reading.negative for reading in readings):
            signs.append(VitalSigns(at=row.read("at"), before_unit=row.read("before_unit"), readings=tuple(readings)))
            row.keep()
    return tuple(signs)


def _readings(row: Row) -> list[Reading]:
    readings: list[Reading] = []
    for name, value in row.values.items():
        if name in _NO_READINGS:
            continue
        text = row.texts.get(name)
        if text is not None and value.is_text and name != "etco2":
            readings.append(Reading(name=name, value=text))
        elif (first := _first_element(value, row)) is not None:
            readings.append(_reading(name, value, *first, row))
    return readings


def _first_element(value: Value, row: Row) -> tuple[Spot, Element] | None:
    return next(((spot, each) for spot in value.spots for each in row.elements(spot.tag)), None)


def _reading(name: str, value: Value, spot: Spot, element: Element, row: Row) -> Reading:
    """A measurement with what stands beside it, or why there is none."""
    negative, missing = element.get("PN"), element.get("NV")
    if not element.text and (negative or missing):
        row.note(name, value.rule, spot, element)
        return Reading(name=name, negative=negative, missing=missing)
    unit = row.read("etco2_unit") if name == "etco2" else None
    return Reading(name=name, value=value.read(row), unit=unit, negative=negative, missing=missing)


def read_medications(group: Group, report: Sheet) -> tuple[Medication, ...]:
    """Give back the drugs given, and those expressly not given."""
    drugs: list[Medication] = []
    for row in group.rows(report, drugs):
        stated = row.statement("code")
        if stated:
            code, negative = stated
            drugs.append(Medication(code=code, negative=negative, **read_all(group.beside_code, row)))
            row.keep()
    return tuple(drugs)


def read_procedures(group: Group, report: Sheet) -> tuple[Procedure, ...]:
    """Give back the procedures done, and those expressly not done."""
    done: list[Procedure] = []
    for row in group.rows(report, done):
        stated = row.statement("code")
        if stated:
            code, negative = stated
            done.append(Procedure(code=code, negative=negative, **read_all(group.beside_code, row)))
            row.keep()
    return tuple(done)


def read_quoted(group: Group, report: Sheet, bands: frozenset[Element]) -> tuple[Identifier, ...]:
    """Give back the numbers of other systems: `type` is the source's code, `namespace` the registry it names.

    Left out are the elements that turned out to hold a band: that is no number of another system.
    """
    quoted: list[Identifier] = []
    for row in group.rows(report, quoted):
        number = None if bands and row.holds("value", bands) else row.read("value")
        if number:
            code, issuer = row.read("type"), row.read("issuer")
            system = resolve(report.case.source.authorities, issuer, None, None, code)
            quoted.append(Identifier(value=number, system=system, type=code, namespace=issuer))
            row.keep()
    return tuple(quoted)
