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
from gateway.mapping.report_places import Section, Spot, compile_sections, compile_spot
from gateway.mapping.report_sheet import Case, Sheet
from gateway.mapping.report_values import Value, compile_value, plan_of, read_all
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


class ConditionSpot(NamedTuple):
    """Where one kind of statement about the patient stands."""

    kind: str
    rule: str
    spot: Spot


class CareReportReader(NamedTuple):
    """A mapping of care reports, compiled."""

    mapping: str
    sections: Mapping[str, Section]
    plain: tuple[Value, ...]
    times: tuple[Value, ...]
    person: tuple[Value, ...]
    address: tuple[Value, ...]
    conditions: tuple[ConditionSpot, ...]
    groups: Mapping[str, Group]
    bands: tuple[BandSpot, ...]

    def read(self, document: ReportDocument, source: Source) -> CareReport:
        """Give back the record of one report.

        Raises `UnreadableMessage` with the code `report-no-number` when nothing identifies the report.
        """
        case = Case(document, source)
        sheet = self._gather(case)
        values = read_all(self.plain, sheet)
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
            times=ReportTimes(**read_all(self.times, sheet)),
            destination=source.facilities.get(values.get("destination_code") or ""),
            conditions=self._conditions(sheet),
            sightings=bands.sightings,
            **self._groups(sheet, bands),
            **values,
            findings=tuple(_findings(sheet, values, bands.sightings, contact=contact)),
            origins=sheet.origins,
        )

    def _gather(self, case: Case) -> Sheet:
        """Walk through the sections that the mapping names, and put down what it names."""
        sheet = Sheet(case, above=f"{case.document.path}/")
        sheet.found.update(case.document.header.elements)
        for element in case.document.element:
            section = self.sections.get(element.tag)  # type: ignore[arg-type]  # the stubs allow for more
            if section is not None:
                sheet.gather(section.elements(element), section.plan)
        return sheet

    def _person(self, sheet: Sheet) -> Person:
        fields = read_all(self.person, sheet)
        address = Address(**read_all(self.address, sheet))
        family, age, unit = fields.get("family"), fields.pop("age", None), fields.pop("age_unit", None)
        estimated = "patient.age" in sheet.case.estimated
        return Person(
            address=None if address == Address() else address,
            age=Age(value=age, unit=unit, estimated=estimated) if age is not None and unit else None,
            unidentified=family is not None and family.upper() in sheet.case.source.placeholders,
            **fields,
        )

    def _conditions(self, sheet: Sheet) -> tuple[Condition, ...]:
        conditions: list[Condition] = []
        for kind, rule, spot in self.conditions:
            for element in sheet.elements(spot.tag):
                stated = sheet.state(f"conditions[{len(conditions)}]", rule, spot, element)
                if stated:
                    conditions.append(_condition(kind, *stated))
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
    places = mapping.value_places()
    parts: dict[str, list[Value]] = {"": [], "times": [], "patient": [], "patient.address": []}
    for name, place in places.items():
        parts[name.rpartition(".")[0]].append(compile_value(name, mapping.mapping, place, tables))
    conditions = tuple(
        ConditionSpot(kind, f"{mapping.mapping}: {kind}", compile_spot(at, {}))
        for kind, at in mapping.conditions.items()
    )
    bands = tuple(compile_band(mapping.mapping, band) for band in mapping.band)
    groups = {name: compile_group(name, mapping.mapping, rule, tables) for name, rule in mapping.groups.items()}
    values = [value for part in parts.values() for value in part]
    others = (
        [each.spot for each in conditions] + [each.spot for each in bands] + [group.each for group in groups.values()]
    )
    plan = plan_of(values, others)
    return CareReportReader(
        mapping=mapping.mapping,
        sections=compile_sections(plan, [*others, *(spot for value in values for spot in value.spots)]),
        plain=tuple(parts[""]),
        times=tuple(parts["times"]),
        person=tuple(parts["patient"]),
        address=tuple(parts["patient.address"]),
        conditions=conditions,
        groups=groups,
        bands=bands,
    )


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
