"""Care reports through a mapping: report and rules give the record, with the origin of every value.

A mapping is compiled once; reading a report then walks through it once and looks only at what the mapping
names. The rules of this file:

* Every place is a rule of the mapping; nothing is searched for all over a report: a band least of all.
* What is missing, negated or unreadable is told at its place and costs that value, never the report.
* A report is identified by its UUID, which names one crew's report and never the patient; without one by
  agency and report number together (NEMSIS "UUIDs"; the composite key is that of the trauma registry guide).
* A report of a run without a patient is read and kept, and says so; there is nobody to link.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import ReportDocument
from gateway.adapters.report_payload import refused
from gateway.findings import finding
from gateway.mapping.authorities import resolve
from gateway.mapping.report_bands import Bands, BandSpot, compile_band, look_for_bands
from gateway.mapping.report_groups import (
    Group,
    compile_group,
    read_medications,
    read_procedures,
    read_quoted,
    read_vitals,
)
from gateway.mapping.report_places import Part, Section, compile_sections, compile_spot
from gateway.mapping.report_sheet import Case, Sheet
from gateway.mapping.report_values import Value, careful_names, compile_value, plan_of, settle
from gateway.mapping.rules import Mapping as MappingFile
from gateway.mapping.sightings import is_exercise, judge
from gateway.mapping.source import Source
from gateway.mapping.tables import CodeTable
from gateway.records import (
    Address,
    Age,
    CareReport,
    Condition,
    Finding,
    Identifier,
    Person,
    ReportTimes,
    Sighting,
    Traffic,
)

#: The form of a report UUID: RFC 4122, version 1 to 5 (NEMSIS 3.5.1 XSD, type UUID).
UUID_FORM = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[1-5][0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")

#: What still tells one report from all others, if not in that form. The nil UUID tells nothing.
USABLE_UUID = re.compile(r"(?!0{8}-)[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")

#: eDisposition.30: this unit carried the patient, so the destination is where the patient was brought.
CARRIED = frozenset({"4230001", "4230003"})

#: How the type of the agency's own patient number is written in a feed's table of issuers: HL7 table 0203.
OWN_PATIENT_NUMBER = "PI"


class CareReportReader(NamedTuple):
    """A mapping of care reports, compiled.

    `fields` are the names of the values of each part of the record, as `times.arrived` of `times`, and of the
    record itself under the empty name; each behind the name that the part has for it. `conditions` are the
    statements about the patient by kind; `careful` names the values that it always takes a closer look to read.
    """

    mapping: str
    sections: Mapping[str, Section]
    values: Mapping[str, Value]
    careful: tuple[str, ...]
    fields: Mapping[str, tuple[tuple[str, str], ...]]
    conditions: Mapping[str, Value]
    groups: Mapping[str, Group]
    bands: tuple[BandSpot, ...]

    def read(self, document: ReportDocument, source: Source) -> CareReport:
        """Give back the record of one report.

        Raises `UnreadableMessage` with the code `report-no-number` when nothing identifies the report.
        """
        sheet = self.gather(document, source)
        case = sheet.case
        settle(sheet, self.values)
        values = self._part("", sheet)
        bands = look_for_bands(self.bands, sheet)
        number, contact = values.pop("number", None), values.pop("patient_contact", None)
        key, uuid = _identity(case, number)
        return CareReport(
            key=key,
            uuid=uuid,
            number=number or "",
            organisation=source.organisation,
            version=document.version,
            partial=document.national,
            traffic=_traffic(bands.sightings, source),
            patient=self._person(sheet),
            patient_identifiers=_patient_identifiers(case, values.pop("patient_identifier", None)),
            patient_contact=contact is not False,
            times=ReportTimes(**self._part("times", sheet)),
            destination=source.facilities.get(values.get("destination_code", "")),
            conditions=self._conditions(sheet),
            sightings=bands.sightings,
            **self._groups(sheet, bands),
            **values,
            findings=tuple(_findings(sheet, values, bands.sightings, contact=contact)),
            origins=sheet.origins,
        )

    def gather(self, document: ReportDocument, source: Source) -> Sheet:
        """Walk through the sections that the mapping names, and put down what it names."""
        sheet = Sheet(Case(document, source), document.element, f"{document.path}/", "", {})
        sheet.unsettled += self.careful
        sheet.found.update(document.header.elements)
        sheet.gather(self._parts(document.element))
        return sheet

    def _parts(self, report: Element) -> Iterator[Part]:
        """The elements of each section among which the wanted ones are."""
        for element in report:
            section = self.sections.get(element.tag)  # type: ignore[arg-type]  # the stubs allow for more
            if section is not None:
                yield element, element.iter() if section.is_deep else element, section.plan

    def _part(self, part: str, sheet: Sheet) -> dict[str, Any]:
        """The values of one part of the record by the names of its fields."""
        values = sheet.values
        return {field: values[name] for field, name in self.fields[part] if name in values}

    def _person(self, sheet: Sheet) -> Person:
        fields = self._part("patient", sheet)
        address = self._part("patient.address", sheet)
        family, age, unit = fields.get("family"), fields.pop("age", None), fields.pop("age_unit", None)
        estimated = "patient.age" in sheet.case.estimated
        return Person(
            address=Address(**address) if address else None,
            age=Age(value=age, unit=unit, estimated=estimated) if age is not None and unit else None,
            unidentified=family is not None and family.upper() in sheet.case.source.placeholders,
            **fields,
        )

    def _conditions(self, sheet: Sheet) -> tuple[Condition, ...]:
        conditions: list[Condition] = []
        for kind, stated in self.conditions.items():
            if stated.name in sheet.values:
                sheet.origins[f"conditions[{len(conditions)}]"] = sheet.origins.pop(stated.name)
                conditions.append(_condition(kind, sheet.values[stated.name], None))
            elif stated.name in sheet.unsettled:
                (spot,) = stated.spots
                for element in sheet.elements(spot.tag):
                    said = sheet.state(f"conditions[{len(conditions)}]", stated.rule, spot, element)
                    if said:
                        conditions.append(_condition(kind, *said))
        return tuple(conditions)

    def _groups(self, sheet: Sheet, bands: Bands) -> dict[str, Any]:
        groups = {name: read(self.groups[name], sheet) for name, read in _GROUP_READERS.items() if name in self.groups}
        if "quoted" in self.groups:
            groups["quoted"] = read_quoted(self.groups["quoted"], sheet, bands.elements)
        return groups


_GROUP_READERS = {"vitals": read_vitals, "medications": read_medications, "procedures": read_procedures}


def compile_care_reports(mapping: MappingFile, tables: Mapping[str, CodeTable]) -> CareReportReader:
    """Give back the reader of a checked and completed mapping of care reports.

    Raises `ConfigurationFault` for a place outside the reports.
    """
    name = mapping.mapping
    values = {key: compile_value(key, name, place, tables) for key, place in mapping.value_places().items()}
    conditions = {kind: _compile_condition(kind, name, at) for kind, at in mapping.conditions.items()}
    groups = {key: compile_group(key, name, rule, tables) for key, rule in mapping.groups.items()}
    bands = tuple(compile_band(name, band) for band in mapping.band)
    single = [*values.values(), *conditions.values()]
    others = [*(group.each for group in groups.values()), *(each.spot for each in bands)]
    plan = plan_of(single, others)
    fields: dict[str, list[tuple[str, str]]] = {"": [], "times": [], "patient": [], "patient.address": []}
    for key in values:
        part, _, field = key.rpartition(".")
        fields[part].append((field, key))
    return CareReportReader(
        mapping=name,
        sections=compile_sections(plan, [*others, *(spot for value in single for spot in value.spots)]),
        values=values,
        careful=careful_names(single, plan),
        fields={part: tuple(names) for part, names in fields.items()},
        conditions=conditions,
        groups=groups,
        bands=bands,
    )


def _compile_condition(kind: str, mapping: str, at: str) -> Value:
    spot = compile_spot(at, {})
    return Value(f"conditions.{kind}", f"{mapping}: {kind}", (spot,), table=None, convert=None, is_list=False)


# ── parts of the record ────────────────────────────────────────────────────────────────────────────


def _condition(kind: str, said: str, negative: str | None) -> Condition:
    if kind == "complaint":
        return Condition(kind=kind, text=said, negative=negative)
    return Condition(kind=kind, code=said, negative=negative)


def _identity(case: Case, number: str | None) -> tuple[str, str | None]:
    """The report's key and UUID. Raises `UnreadableMessage` when there is neither UUID nor number."""
    written = case.document.element.get("UUID", "").strip().lower()
    if UUID_FORM.fullmatch(written):
        return written, written
    case.tell("report-uuid-form" if written else "report-no-uuid", case.document.element)
    if USABLE_UUID.fullmatch(written):
        return written, written
    if not number:
        raise refused("report-no-number", path=case.document.path)
    parts = [*map(case.document.header.text, ("dAgency.01", "dAgency.02", "dAgency.04")), number]
    return "|".join(part.replace("%", "%25").replace("|", "%7C") for part in parts), None


def _patient_identifiers(case: Case, number: str | None) -> tuple[Identifier, ...]:
    """The agency's own number for the patient, which means nothing outside that agency."""
    if number is None:
        return ()
    system = resolve(case.source.authorities, None, None, None, OWN_PATIENT_NUMBER)
    agency = case.document.header.text("dAgency.02") or None
    return (Identifier(value=number, system=system, type=OWN_PATIENT_NUMBER, facility=agency),)


def _traffic(sightings: tuple[Sighting, ...], source: Source) -> Traffic:
    exercise = is_exercise(sightings) and not _has_live_band(sightings)
    return Traffic.TEST if source.trial or exercise else Traffic.LIVE


def _has_live_band(sightings: tuple[Sighting, ...]) -> bool:
    """Whether a band for patients was seen: NEMSIS has no other word for "this is no exercise"."""
    return any(sighting.canonical and not sighting.training for sighting in sightings)


# ── what there is to say about the whole report ────────────────────────────────────────────────────


def _findings(
    sheet: Sheet, values: Mapping[str, Any], sightings: tuple[Sighting, ...], *, contact: bool | None
) -> Iterator[Finding]:
    case = sheet.case
    if case.has_local_times:
        yield finding("time-without-zone", path=case.document.path)
    yield from case.findings
    known = case.source.agency_numbers
    if known and values.get("agency_number") not in known:
        yield _at("report-agency-unknown", "agency_number", sheet)
    if contact is False:
        yield _at("report-no-patient", "patient_contact", sheet)
    elif case.document.national:
        yield finding("report-national-only", path=case.document.path)
    else:
        yield from _destination_findings(sheet, values)
        yield from judge(sightings, claims_live=_has_live_band(sightings))


def _destination_findings(sheet: Sheet, values: Mapping[str, Any]) -> Iterator[Finding]:
    code, facilities = values.get("destination_code"), sheet.case.source.facilities
    if code is None and values.get("transport") in CARRIED:
        yield _at("report-no-destination", "transport", sheet)
    elif code is not None and facilities and code not in facilities:
        yield _at("report-destination-unknown", "destination_code", sheet)


def _at(code: str, value: str, sheet: Sheet) -> Finding:
    """A finding at the place where a value of the record came from, or at the report."""
    origin = sheet.origins.get(value)
    path = origin.path if origin else sheet.case.document.path
    return finding(code, path=path, line=origin.line if origin else None)
