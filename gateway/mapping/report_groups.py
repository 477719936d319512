"""The repeating groups of a care report: vital signs, drugs, procedures, numbers of other systems.

Groups that must occur once stand there all nil when nothing was done (NEMSIS 3.5.1 XSD), so a group counts
only for what it says: a drug or procedure has a code, a set of vital signs at least one value or pertinent
negative. A drug or procedure whose code carries a PN was *not* given or done, and says so in `negative`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Self

from lxml.etree import _Element as Element

from gateway.mapping.authorities import resolve
from gateway.mapping.report_case import Case, Statement
from gateway.mapping.report_places import Spot, compile_spot
from gateway.mapping.report_values import Convert, Value, read_flag, read_number, read_time
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

#: Values of a set of vital signs that are no measurement themselves.
_NO_READINGS = frozenset({"at", "before_unit", "etco2_unit"})


@dataclass(frozen=True, slots=True)
class Field:
    """One place of one value of a group; `rank` is its place in the order of trust.

    `also` is the next field that the same element fills, as an attribute of it does.
    """

    name: str
    value: Value
    spot: Spot
    rank: int
    also: Self | None


#: One element of a row, and the field it fills.
Cell = tuple[Field, Element]


class Row(NamedTuple):
    """One occurrence of the group: its XPath with a slash behind it, and its cells by value name.

    `here` is what origins call the record that the row becomes, with a dot behind it: `vitals[0].`.
    """

    here: str
    path: str
    cells: dict[str, list[Cell]]

    def first(self, name: str, case: Case) -> Any:
        """Give back the first value of that name that can be taken, or None."""
        cells = self.cells.get(name, ())
        for cell in cells:
            value = self._taken(name, cell, case, alone=len(cells) == 1)
            if value is not None:
                return value
        return None

    def every(self, name: str, case: Case) -> tuple[str, ...]:
        """Give back all texts of that name."""
        texts: list[str] = []
        cells = self.cells.get(name, ())
        for cell in cells:
            value = self._taken(f"{name}[{len(texts)}]", cell, case, alone=len(cells) == 1)
            if value is not None:
                texts.append(value)
        return tuple(texts)

    def statement(self, name: str, case: Case) -> Statement | None:
        """Give back the first statement of that name, or None."""
        cells = self.cells.get(name, ())
        for field, element in cells:
            origin, alone = self.here + name, len(cells) == 1
            stated = case.stated(origin, field.value.rule, field.spot, element, alone=alone, above=self.path)
            if stated:
                return stated
        return None

    def _taken(self, name: str, cell: Cell, case: Case, *, alone: bool) -> Any:
        field, element = cell
        value, origin = field.value, self.here + name
        text = case.take(origin, value.rule, field.spot, element, alone=alone, above=self.path)
        if text is None or (value.table is None and value.convert is None):
            return text
        meaning = value.meaning(text, element, case)
        if meaning is None:
            del case.origins[origin]
        return meaning


class Group(NamedTuple):
    """One repeating group, compiled; `fields` are by element name."""

    name: str
    each: Spot
    fields: Mapping[str, Field]

    def rows(self, case: Case, records: list[Any]) -> Iterator[Row]:
        """Give back every occurrence of the group; `records` are those that have come of the rows before."""
        rows = case.found.get(self.each.tag, ())
        for number, row in enumerate(rows, 1):
            parent = row.getparent()
            usual = parent is not None and parent.tag == self.each.parent and parent is rows[0].getparent()
            path = f"{case.base}{self.each.path}[{number}]/" if usual else f"{case.document.path_of(row)}/"
            yield Row(f"{self.name}[{len(records)}].", path, self._cells(row))

    def _cells(self, row: Element) -> dict[str, list[Cell]]:
        cells: dict[str, list[Cell]] = {}
        find = self.fields.get
        for element in row.iter():
            field = find(element.tag)  # type: ignore[arg-type]  # the stubs allow for other trees than parsed ones
            while field is not None:
                if not field.spot.requirements or field.spot.fits(element):
                    name = field.name
                    if name in cells:
                        cells[name].append((field, element))
                        cells[name].sort(key=_rank)
                    else:
                        cells[name] = [(field, element)]
                field = field.also
        return cells


def compile_group(name: str, mapping: str, rule: GroupRule, tables: Mapping[str, CodeTable]) -> Group:
    """Give back the compiled form of a group of a checked mapping."""
    fields: dict[str, Field] = {}
    for key, place in rule.values.items():
        table = None if place.table is None else tables[place.table].meanings
        spots = tuple(compile_spot(at, place.where, below=rule.each) for at in place.places)
        value = Value(key, key, f"{mapping}: {name}.{key}", spots, table, _CONVERSIONS.get(key))
        for rank, spot in enumerate(spots):
            fields[spot.tag] = Field(key, value, spot, rank, fields.get(spot.tag))
    return Group(name, compile_spot(rule.each, {}), fields)


def read_vitals(group: Group, case: Case) -> tuple[VitalSigns, ...]:
    """Give back the sets of vital signs that say anything."""
    signs: list[VitalSigns] = []
    for row in group.rows(case, signs):
        readings = [_reading(name, row, case) for name in row.cells if name not in _NO_READINGS]
        if any(reading.value is not None or reading.negative for reading in readings):
            at, before_unit = row.first("at", case), row.first("before_unit", case)
            signs.append(VitalSigns(at=at, before_unit=before_unit, readings=tuple(readings)))
    return tuple(signs)


def _reading(name: str, row: Row, case: Case) -> Reading:
    value = row.first(name, case)
    element = row.cells[name][0][1]
    if not element.keys():
        return Reading(name=name, value=value)
    unit = row.first("etco2_unit", case) if name == "etco2" else None
    return Reading(name=name, value=value, unit=unit, negative=element.get("PN"), missing=element.get("NV"))


def read_medications(group: Group, case: Case) -> tuple[Medication, ...]:
    """Give back the drugs given, and those expressly not given."""
    drugs: list[Medication] = []
    for row in group.rows(case, drugs):
        stated = row.statement("code", case)
        if stated:
            drugs.append(
                Medication(
                    code=stated[0],
                    negative=stated[1],
                    code_system=row.first("code_system", case),
                    at=row.first("at", case),
                    before_unit=row.first("before_unit", case),
                    route=row.first("route", case),
                    dose=row.first("dose", case),
                    dose_unit=row.first("dose_unit", case),
                    response=row.first("response", case),
                    complications=row.every("complications", case),
                    performer_role=row.first("performer_role", case),
                )
            )
    return tuple(drugs)


def read_procedures(group: Group, case: Case) -> tuple[Procedure, ...]:
    """Give back the procedures done, and those expressly not done."""
    done: list[Procedure] = []
    for row in group.rows(case, done):
        stated = row.statement("code", case)
        if stated:
            done.append(
                Procedure(
                    code=stated[0],
                    negative=stated[1],
                    at=row.first("at", case),
                    before_unit=row.first("before_unit", case),
                    attempts=row.first("attempts", case),
                    successful=row.first("successful", case),
                    complications=row.every("complications", case),
                )
            )
    return tuple(done)


def read_quoted(group: Group, case: Case, bands: frozenset[Element]) -> tuple[Identifier, ...]:
    """Give back the numbers of other systems: `type` is the source's code, `namespace` the registry it names.

    Left out are the elements that turned out to hold a band: that is no number of another system.
    """
    quoted: list[Identifier] = []
    for row in group.rows(case, quoted):
        if not any(element in bands for _, element in row.cells.get("value", ())) and (
            value := row.first("value", case)
        ):
            code, issuer = row.first("type", case), row.first("issuer", case)
            system = resolve(case.source.authorities, issuer, None, None, code)
            quoted.append(Identifier(value=value, system=system, type=code, namespace=issuer))
    return tuple(quoted)


def _rank(cell: Cell) -> int:
    return cell[0].rank
