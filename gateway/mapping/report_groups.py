"""The repeating groups of a care report: vital signs, drugs, procedures, numbers of other systems.

Groups that must occur once stand there all nil when nothing was done (NEMSIS 3.5.1 XSD), so a group counts
only for what it says: a drug or procedure has a code, a set of vital signs at least one value or pertinent
negative. A drug or procedure whose code carries a PN was *not* given or done, and says so in `negative`.
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import line_of
from gateway.mapping.authorities import resolve
from gateway.mapping.report_places import Spot, compile_spot
from gateway.mapping.report_values import Case, Convert, Value, read_flag, read_number, read_time
from gateway.mapping.rules import Group as GroupRule
from gateway.mapping.tables import CodeTable
from gateway.records import Identifier, Medication, Origin, Procedure, Reading, VitalSigns

#: How the values of groups are read; all others are text.
_CONVERSIONS: dict[str, Convert] = {
    "at": read_time,
    "before_unit": read_flag,
    "successful": read_flag,
    "attempts": read_number,
}

#: Values of a set of vital signs that are no measurement themselves.
_NO_READINGS = frozenset({"at", "before_unit", "etco2_unit"})


class Field(NamedTuple):
    """One place of one value of a group; `rank` is its place in the order of trust."""

    value: Value
    spot: Spot
    rank: int


class Cell(NamedTuple):
    """One element of a row, and the field it fills."""

    field: Field
    element: Element


class Row(NamedTuple):
    """One occurrence of the group: its XPath with a slash behind it, and its cells by value name."""

    path: str
    cells: dict[str, list[Cell]]


class Group(NamedTuple):
    """One repeating group, compiled; `fields` are by element name."""

    name: str
    each: Spot
    fields: Mapping[str, tuple[Field, ...]]

    def rows(self, case: Case) -> Iterator[Row]:
        """Give back every occurrence of the group in the report."""
        rows = case.found.get(self.each.tag, ())
        for number, row in enumerate(rows, 1):
            parent = row.getparent()
            usual = parent is not None and parent.tag == self.each.parent and parent is rows[0].getparent()
            path = f"{case.base}{self.each.path}[{number}]/" if usual else f"{case.document.path_of(row)}/"
            yield Row(path, self._cells(row))

    def _cells(self, row: Element) -> dict[str, list[Cell]]:
        cells: dict[str, list[Cell]] = {}
        find = self.fields.get
        for element in row.iter():
            for field in find(element.tag, ()):
                if field.spot.requirements and not field.spot.fits(element):
                    continue
                name = field.value.name
                if name in cells:
                    cells[name].append(Cell(field, element))
                    cells[name].sort(key=_rank)
                else:
                    cells[name] = [Cell(field, element)]
        return cells


def compile_group(name: str, mapping: str, rule: GroupRule, tables: Mapping[str, CodeTable]) -> Group:
    """Give back the compiled form of a group of a checked mapping."""
    fields: dict[str, tuple[Field, ...]] = {}
    for key, place in rule.values.items():
        table = None if place.table is None else tables[place.table].meanings
        spots = tuple(compile_spot(at, place.where, below=rule.each) for at in place.places)
        value = Value(key, f"{mapping}: {name}.{key}", spots, table, _CONVERSIONS.get(key))
        for rank, spot in enumerate(spots):
            fields[spot.tag] = (*fields.get(spot.tag, ()), Field(value, spot, rank))
    return Group(name, compile_spot(rule.each, {}), fields)


def read_vitals(group: Group, case: Case) -> tuple[VitalSigns, ...]:
    """Give back the sets of vital signs that say anything."""
    signs: list[VitalSigns] = []
    for row in group.rows(case):
        here = f"vitals[{len(signs)}]"
        readings = tuple(
            _reading(name, cells[0], row, here, case) for name, cells in row.cells.items() if name not in _NO_READINGS
        )
        if any(reading.value is not None or reading.negative for reading in readings):
            signs.append(
                VitalSigns(
                    at=_first("at", row, here, case),
                    before_unit=_first("before_unit", row, here, case),
                    readings=readings,
                )
            )
    return tuple(signs)


def read_medications(group: Group, case: Case) -> tuple[Medication, ...]:
    """Give back the drugs given, and those expressly not given."""
    drugs: list[Medication] = []
    for row in group.rows(case):
        here = f"medications[{len(drugs)}]"
        stated = _stated_code(row, here, case)
        if stated:
            names = ("code_system", "at", "before_unit", "route", "dose", "dose_unit", "response", "performer_role")
            values = {name: _first(name, row, here, case) for name in names}
            complications = _every("complications", row, here, case)
            drugs.append(Medication(code=stated[0], negative=stated[1], complications=complications, **values))
    return tuple(drugs)


def read_procedures(group: Group, case: Case) -> tuple[Procedure, ...]:
    """Give back the procedures done, and those expressly not done."""
    done: list[Procedure] = []
    for row in group.rows(case):
        here = f"procedures[{len(done)}]"
        stated = _stated_code(row, here, case)
        if stated:
            values = {name: _first(name, row, here, case) for name in ("at", "before_unit", "attempts", "successful")}
            complications = _every("complications", row, here, case)
            done.append(Procedure(code=stated[0], negative=stated[1], complications=complications, **values))
    return tuple(done)


def read_quoted(group: Group, case: Case, bands: frozenset[Element]) -> tuple[Identifier, ...]:
    """Give back the numbers of other systems: `type` is the source's code, `namespace` the registry it names.

    Left out are the elements that turned out to hold a band: that is no number of another system.
    """
    quoted: list[Identifier] = []
    for row in group.rows(case):
        here = f"quoted[{len(quoted)}]"
        cells = row.cells.get("value", ())
        value = None if any(cell.element in bands for cell in cells) else _first("value", row, here, case)
        if value:
            code, issuer = _first("type", row, here, case), _first("issuer", row, here, case)
            system = resolve(case.source.authorities, issuer, None, None, code)
            quoted.append(Identifier(value=value, system=system, type=code, namespace=issuer))
    return tuple(quoted)


# ── one value of one row ───────────────────────────────────────────────────────────────────────────


def _reading(name: str, cell: Cell, row: Row, here: str, case: Case) -> Reading:
    element = cell.element
    value = _taken(name, cell, row, here, case)
    if not element.keys():
        return Reading(name=name, value=value)
    unit = _first("etco2_unit", row, here, case) if name == "etco2" else None
    return Reading(name=name, value=value, unit=unit, negative=element.get("PN"), missing=element.get("NV"))


def _first(name: str, row: Row, here: str, case: Case) -> Any:
    """The first value of that name in the row that can be taken, or None."""
    for cell in row.cells.get(name, ()):
        value = _taken(name, cell, row, here, case)
        if value is not None:
            return value
    return None


def _every(name: str, row: Row, here: str, case: Case) -> tuple[str, ...]:
    """All texts of that name in the row."""
    texts: list[str] = []
    for cell in row.cells.get(name, ()):
        value = _taken(f"{name}[{len(texts)}]", cell, row, here, case)
        if value is not None:
            texts.append(value)
    return tuple(texts)


def _taken(name: str, cell: Cell, row: Row, here: str, case: Case) -> Any:
    """The value of one cell, its origin kept under `name`; None when there is none."""
    (value_rule, spot, _), element = cell
    text = case.fact(element, spot.attribute)
    value = None if text is None else value_rule.converted(text, element, case)
    if value is not None:
        _keep(name, cell, row, here, case)
    return value


def _stated_code(row: Row, here: str, case: Case) -> tuple[str, str | None] | None:
    for cell in row.cells.get("code", ()):
        stated = case.stated(cell.element)
        if stated:
            _keep("code", cell, row, here, case)
            return stated
    return None


def _keep(name: str, cell: Cell, row: Row, here: str, case: Case) -> None:
    field, element = cell
    alone = len(row.cells[field.value.name]) == 1
    path = case.place_of(field.spot, element, alone=alone, above=row.path)
    case.origins[f"{here}.{name}"] = Origin(path, line_of(element), field.value.rule)


def _rank(cell: Cell) -> int:
    return cell.field.rank
