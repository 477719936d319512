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
from gateway.mapping.report_case import Case
from gateway.mapping.report_groups import (
    Group,
    compile_group,
    read_medications,
    read_procedures,
    read_quoted,
    read_vitals,
)
from gateway.mapping.report_places import Spot, Walk, compile_spot, compile_walk, is_in_header
from gateway.mapping.report_values import Value, compile_value
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
    walk: Walk
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
        case = Case(document, self.walk.find(document), source)
        values: dict[str, Any] = {value.name: value.read(case) for value in self.plain}
        bands = look_for_bands(self.bands, case)
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
            patient=self._person(case),
            patient_identifiers=_patient_identifiers(case, values.pop("patient_identifier", None)),
            patient_contact=contact is not False,
            times=ReportTimes(**{value.field: value.read(case) for value in self.times}),
            destination=source.facilities.get(values.get("destination_code") or ""),
            conditions=self._conditions(case),
            sightings=bands.sightings,
            **self._groups(case, bands),
            **values,
            findings=tuple(_findings(case, values, bands.sightings, contact=contact)),
            origins=case.origins,
        )

    def _person(self, case: Case) -> Person:
        fields: dict[str, Any] = {value.field: value.read(case) for value in self.person}
        address = Address(**{value.field: value.read(case) for value in self.address})
        family, age, unit = fields.get("family"), fields.pop("age", None), fields.pop("age_unit", None)
        estimated = "patient.age" in case.estimated
        return Person(
            address=None if address == Address() else address,
            age=Age(value=age, unit=unit, estimated=estimated) if age is not None and unit else None,
            unidentified=family is not None and family.upper() in case.source.placeholders,
            **fields,
        )

    def _conditions(self, case: Case) -> tuple[Condition, ...]:
        conditions: list[Condition] = []
        for kind, rule, spot in self.conditions:
            elements = case.found.get(spot.tag, ())
            for element in elements:
                name, alone = f"conditions[{len(conditions)}]", len(elements) == 1
                stated = case.stated(name, rule, spot, element, alone=alone, above=case.base)
                if stated:
                    conditions.append(_condition(kind, *stated))
        return tuple(conditions)

    def _groups(self, case: Case, bands: Bands) -> dict[str, Any]:
        groups = {name: read(self.groups[name], case) for name, read in _GROUP_READERS.items() if name in self.groups}
        if "quoted" in self.groups:
            groups["quoted"] = read_quoted(self.groups["quoted"], case, bands.elements)
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
    paths = [at for place in places.values() for at in place.places if not is_in_header(at)]
    paths += [*mapping.conditions.values(), *(group.each for group in mapping.groups.values())]
    paths += [band.at for band in mapping.band if band.at is not None]
    return CareReportReader(
        mapping=mapping.mapping,
        walk=compile_walk(paths),
        plain=tuple(parts[""]),
        times=tuple(parts["times"]),
        person=tuple(parts["patient"]),
        address=tuple(parts["patient.address"]),
        conditions=tuple(
            ConditionSpot(kind, f"{mapping.mapping}: {kind}", compile_spot(at, {}))
            for kind, at in mapping.conditions.items()
        ),
        groups={name: compile_group(name, mapping.mapping, rule, tables) for name, rule in mapping.groups.items()},
        bands=tuple(compile_band(mapping.mapping, band) for band in mapping.band),
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
    case: Case, values: Mapping[str, Any], sightings: tuple[Sighting, ...], *, contact: bool | None
) -> Iterator[Finding]:
    source, report = case.source, case.document.path
    if case.has_local_times:
        yield finding("time-without-zone", path=report)
    yield from case.findings
    if source.agency_numbers and values.get("agency_number") not in source.agency_numbers:
        yield _at("report-agency-unknown", "agency_number", case)
    if contact is False:
        yield _at("report-no-patient", "patient_contact", case)
    elif case.document.national:
        yield finding("report-national-only", path=report)
    else:
        yield from _destination_findings(case, values)
        yield from judge(sightings, claims_live=_has_live_band(sightings))


def _destination_findings(case: Case, values: Mapping[str, Any]) -> Iterator[Finding]:
    code, facilities = values.get("destination_code"), case.source.facilities
    if code is None and values.get("transport") in CARRIED:
        yield _at("report-no-destination", "transport", case)
    elif code is not None and facilities and code not in facilities:
        yield _at("report-destination-unknown", "destination_code", case)


def _at(code: str, value: str, case: Case) -> Finding:
    """A finding at the place where a value of the record came from, or at the report."""
    origin = case.origins.get(value)
    return finding(code, path=origin.path, line=origin.line) if origin else finding(code, path=case.document.path)
