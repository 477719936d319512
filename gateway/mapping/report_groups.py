"""The repeating groups of a care report: vital signs, drugs, procedures, numbers of other systems.

Groups that must occur once stand there all nil when nothing was done (NEMSIS 3.5.1 XSD), so a group counts
only for what it says: a drug or procedure has a code, a set of vital signs at least one value or pertinent
negative. A drug or procedure whose code carries a PN was *not* given or done, and says so in `negative`.
"""

from collections.abc import Iterator, Mapping, Sized
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.mapping.authorities import resolve
from gateway.mapping.report_places import Plan, Spot, compile_spot
from gateway.mapping.report_sheet import Sheet, Statement
from gateway.mapping.report_values import (
    Convert,
    Value,
    build_value,
    careful_names,
    plan_of,
    read_flag,
    read_number,
    read_time,
    settle,
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

    `measurements` are the values but those that say what a measurement is of, `beside_code` all but the one that a
    statement is about; `careful` names those that it always takes a closer look to read.
    """

    name: str
    each: Spot
    values: Mapping[str, Value]
    plan: Plan
    careful: tuple[str, ...]
    measurements: tuple[Value, ...]
    beside_code: Mapping[str, Value]

    def rows(self, report: Sheet, records: Sized) -> Iterator["Row"]:
        """Give back every occurrence of the group; `records` are those that have come of the rows before."""
        rows = report.elements(self.each.tag)
        if not rows:
            return
        home = rows[0].getparent()
        is_usual = all(element.getparent() is home for element in rows) and self.each.is_home_of(rows[0], report.top)
        for number, element in enumerate(rows, 1):
            path = f"{report.above}{self.each.path}[{number}]" if is_usual else report.case.document.path_of(element)
            row = Row(self, report, element, f"{path}/", f"{self.name}[{len(records)}].")
            row.gather(((element, element.iterdescendants(), self.plan),))
            yield row


class Row(Sheet):
    """One occurrence of a group, which puts its origins down with those of the report."""

    __slots__ = ("_before", "_had_local_times", "group")

    def __init__(self, group: Group, report: Sheet, top: Element, above: str, here: str) -> None:
        super().__init__(report.case, top, above, here, report.origins)
        self.unsettled += group.careful
        self.group = group
        self._before = len(report.origins)
        self._had_local_times = report.case.has_local_times

    def read(self, name: str) -> Any:
        """Give back a value of the row; None where it has none, or where the mapping does not place it."""
        if name in self.values:
            return self.values[name]
        return self.group.values[name].read(self) if name in self.unsettled else None

    def statement(self, name: str) -> Statement | None:
        """Give back a statement of the row: what it is about, and the PN that negates it."""
        if name in self.values:
            return self.values[name], None
        if name not in self.unsettled:
            return None
        value = self.group.values[name]
        for spot in value.spots:
            for element in self.elements(spot.tag):
                stated = self.state(name, value.rule, spot, element) if spot.fits(element) else None
                if stated:
                    return value.understand(name, stated[0], element, self), stated[1]
        return None

    def holds(self, name: str, elements: frozenset[Element]) -> bool:
        """Whether one of these elements stands at the places of a value."""
        value = self.group.values.get(name)
        tags = () if value is None else [spot.tag for spot in value.spots]
        return any(element in elements for tag in tags for element in self.elements(tag))

    def drop(self) -> None:
        """Take back its origins, the last in their dictionary, and its times: no record has come of the row."""
        self.case.has_local_times = self._had_local_times
        while len(self.origins) > self._before:
            self.origins.popitem()


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
    plan = plan_of(values.values())
    return Group(
        name,
        compile_spot(rule.each, {}),
        values,
        plan,
        careful_names(values.values(), plan),
        measurements=tuple(value for key, value in values.items() if key not in _NO_READINGS),
        beside_code={key: value for key, value in values.items() if key != "code"},
    )


def read_vitals(group: Group, report: Sheet) -> tuple[VitalSigns, ...]:
    """Give back the sets of vital signs that say anything."""
    signs: list[VitalSigns] = []
    for row in group.rows(report, signs):
        readings = _readings(row)
        if any(reading.value is not None or reading.negative for reading in readings):
            signs.append(VitalSigns(at=row.read("at"), before_unit=row.read("before_unit"), readings=tuple(readings)))
        else:
            row.drop()
    return tuple(signs)


def _readings(row: Row) -> list[Reading]:
    readings: list[Reading] = []
    values, found = row.values, row.found
    for measured in row.group.measurements:
        name = measured.name
        if name in values:
            unit = row.read("etco2_unit") if name == "etco2" else None
            readings.append(Reading(name=name, value=values[name], unit=unit))
            continue
        for spot in measured.spots:
            if spot.tag in found:
                readings.append(_reading(measured, spot, found[spot.tag][0], row))
                break
    return readings


def _reading(measured: Value, spot: Spot, element: Element, row: Row) -> Reading:
    """A measurement with what stands beside it, or why there is none."""
    negative, missing = element.get("PN"), element.get("NV")
    if not element.text and (negative or missing):
        row.note(measured.name, measured.rule, spot, element)
        return Reading(name=measured.name, negative=negative, missing=missing)
    unit = row.read("etco2_unit") if measured.name == "etco2" else None
    return Reading(name=measured.name, value=measured.read(row), unit=unit, negative=negative, missing=missing)


def read_medications(group: Group, report: Sheet) -> tuple[Medication, ...]:
    """Give back the drugs given, and those expressly not given."""
    drugs: list[Medication] = []
    for row in _stating_rows(group, report, drugs):
        drugs.append(Medication(**row.values))
    return tuple(drugs)


def read_procedures(group: Group, report: Sheet) -> tuple[Procedure, ...]:
    """Give back the procedures done, and those expressly not done."""
    done: list[Procedure] = []
    for row in _stating_rows(group, report, done):
        done.append(Procedure(**row.values))
    return tuple(done)


def _stating_rows(group: Group, report: Sheet, records: Sized) -> Iterator[Row]:
    """The rows that have a code, read; `records` are those that have come of the rows before."""
    for row in group.rows(report, records):
        stated = row.statement("code")
        if stated:
            settle(row, group.beside_code)
            row.values["code"], row.values["negative"] = stated
            yield row
        else:
            row.drop()


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
        else:
            row.drop()
    return tuple(quoted)
