"""A care report as FHIR R4: the field Encounter, the EMS care record as Composition, and where the band stood.

The record is a Composition of type 67796-3 with one section for each kind of statement; every statement is a
resource of its own (`gateway.adapters.fhir_observations`, `gateway.adapters.fhir_treatments`). A section
holds references, the narrative section the crew's own words; nothing is read out of these words.

Sources: FHIR R4 4.0.1; NEMSIS data set 3.5.1; IHE PCC paramedicine care summary for the document's type.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from gateway.adapters.disclosure import shows_content
from gateway.adapters.fhir import Publisher, numbered
from gateway.adapters.fhir_codes import (
    ASSESSMENT,
    CHIEF_COMPLAINT,
    DIAGNOSIS_ROLE,
    EMS_DOCUMENT,
    FIELD,
    LOCATION_PHYSICAL,
    LOINC,
    MEDICATIONS,
    NARRATIVE,
    PRESENT_ILLNESS,
    PROCEDURES,
    TRIAGE_SECTION,
    URI,
    VITAL_SIGNS,
    SectionTitle,
)
from gateway.adapters.fhir_elements import (
    Json,
    coding,
    compact,
    concept,
    moment,
    narrative,
    of_term,
    period,
    resource_id,
    text,
)
from gateway.adapters.fhir_observations import Sheet, assessments, triage_observations, vital_signs
from gateway.adapters.fhir_treatments import administrations, conditions, procedures
from gateway.records import CareReport, LinkedRecord, LinkedReport, ReportTimes


def report_resources(record: LinkedRecord, item: LinkedReport, publisher: Publisher) -> list[Json]:
    """Give back the field Encounter, followed by the care record where content may show."""
    subject = publisher.reference("Patient", record.episode.id)
    encounter = _bare_encounter(item, subject, publisher)
    if not shows_content(record, item):
        return [encounter]
    sheet = Sheet(item, subject, publisher.reference("Encounter", item.id), publisher)
    complaints, symptoms, impressions = conditions(sheet)
    sections = (
        (CHIEF_COMPLAINT, complaints),
        (PRESENT_ILLNESS, symptoms),
        (ASSESSMENT, [*impressions, *assessments(sheet)]),
        (TRIAGE_SECTION, triage_observations(sheet)),
        (VITAL_SIGNS, vital_signs(sheet)),
        (MEDICATIONS, administrations(sheet)),
        (PROCEDURES, procedures(sheet)),
    )
    composition = _composition(sheet, sections)
    statements = [statement for _, found in sections for statement in found]
    return [
        {**encounter, **_content(sheet, complaints, impressions)},
        composition,
        *statements,
    ]


def composition_id(item: LinkedReport) -> str:
    """Give back the id of the report's Composition."""
    return resource_id(f"{item.id}-record")


# ── Encounter ──────────────────────────────────────────────────────────────────────────────────────


def _bare_encounter(item: LinkedReport, subject: Json, publisher: Publisher) -> Json:
    report = item.report
    status, history = _progress(report.times)
    return {
        "resourceType": "Encounter",
        "id": resource_id(item.id),
        "meta": {"versionId": str(item.version)},
        **compact(identifier=_identifiers(report, publisher)),
        "status": status,
        **compact(statusHistory=history),
        "class": FIELD._asdict(),
        "subject": subject,
        **compact(
            period=_period(report.times),
            hospitalization=compact(destination=_destination(report, publisher)),
            serviceProvider=publisher.organisation(report.organisation),
        ),
    }


def _identifiers(report: CareReport, publisher: Publisher) -> list[Json]:
    """eRecord.01, the report's UUID, and the numbers of incident and response; all are the agency's own."""
    words = "patient care report number"
    number = numbered(report.number, publisher, report.organisation, "VN", words)
    own = publisher.organisation(report.organisation)
    others = (("incident number", report.incident_number), ("response number", report.response_number))
    return [
        *([{"use": "official", **number}] if number else []),
        *report_identifier(report),
        *(
            {"type": {"text": kind}, "value": value, "assigner": own}
            for kind, given in others
            if (value := text(given))
        ),
    ]


def report_identifier(report: CareReport) -> list[Json]:
    """Give back the report's UUID as Identifier, in a list that is empty when the report has none."""
    return [{"system": URI, "value": f"urn:uuid:{report.uuid.lower()}"}] if report.uuid else []


def _progress(times: ReportTimes) -> tuple[str, list[Json]]:
    """The encounter's status, and how it came there: eTimes.03, .06, .07 begin a phase, the end is no phase."""
    marks = (("planned", times.notified), ("arrived", times.on_scene), ("in-progress", times.at_patient))
    reached = [(phase, at) for phase, at in marks if at is not None]
    end = _end(times)
    ends = [*(at for _, at in reached[1:]), end]
    history = [
        {"status": phase, "period": period(begin, stop)}
        for (phase, begin), stop in zip(reached, ends, strict=bool(reached))
    ]
    if end is not None:
        return "finished", history
    return (reached[-1][0], history) if reached else ("unknown", history)


def _end(times: ReportTimes) -> datetime | None:
    return times.handed_over or times.back_in_service


def _period(times: ReportTimes) -> Json:
    return period(times.on_scene or times.at_patient or times.notified, _end(times))


def _destination(report: CareReport, publisher: Publisher) -> Json:
    """eDisposition.01/.02: the organisation where the region knows it, else the code and the name as given."""
    if report.destination and report.destination in publisher.organisations:
        return publisher.organisation(report.destination)
    value = text(report.destination_code)
    return compact(
        identifier={"type": {"text": "Facility code"}, "value": value} if value else None,
        display=text(report.destination_name),
    )


def _content(sheet: Sheet, complaints: Sequence[Json], impressions: Sequence[Json]) -> Json:
    """What the Encounter says beyond its bare form: kind of service, diagnoses, the vehicle and its leg."""
    report, publisher = sheet.item.report, sheet.publisher
    role = concept(coding(DIAGNOSIS_ROLE, "CC", "Chief complaint"))
    told = [
        {"condition": publisher.refer(each), **compact(use=use)}
        for found, use in ((complaints, role), (impressions, None))
        for each in found
        if "clinicalStatus" in each  # what the crew ruled out is no diagnosis of theirs
    ]
    leg = period(report.times.left_scene, report.times.arrived)
    vehicle = text(report.unit)
    place = compact(
        resourceType="Location",
        id="unit",
        name=vehicle,
        mode="instance",
        physicalType=concept(coding(LOCATION_PHYSICAL, "ve", "Vehicle")),
    )
    return compact(
        contained=[place] if vehicle else None,
        type=[concept(publisher.nemsis(report.service), words="EMS response")] if report.service else None,
        diagnosis=told,
        location=[{"location": {"reference": "#unit"}, **compact(period=leg)}] if vehicle else None,
    )


# ── Composition ────────────────────────────────────────────────────────────────────────────────────


def _composition(sheet: Sheet, sections: Sequence[tuple[SectionTitle, Sequence[Json]]]) -> Json:
    item, publisher = sheet.item, sheet.publisher
    report = item.report
    agency = publisher.organisation(report.organisation)
    unit = text(report.unit)
    known = report_identifier(report) or [numbered(report.number, publisher, report.organisation, None, "report")]
    return {
        "resourceType": "Composition",
        "id": composition_id(item),
        "meta": {"versionId": str(item.version)},
        **compact(identifier=known[0]),
        "status": "preliminary" if report.partial else "final",
        "type": of_term(EMS_DOCUMENT),
        "subject": sheet.subject,
        "encounter": sheet.encounter,
        "date": moment(_written(item)),
        "author": [{**agency, **compact(display=unit and f"{agency.get('display', '')}, unit {unit}")}],
        "title": "EMS patient care report",
        "custodian": agency,
        **compact(section=[*_sections(sections, publisher), *_words(report)]),
    }


def _written(item: LinkedReport) -> datetime:
    """A care report does not say when it was written: the last of its times, else when it was linked."""
    times = item.report.times
    known = (getattr(times, name) for name in reversed(times.__struct_fields__))
    return next((at for at in known if at is not None), item.link.decided)


def _sections(sections: Sequence[tuple[SectionTitle, Sequence[Json]]], publisher: Publisher) -> Iterator[Json]:
    for (number, title), found in sections:
        if found:
            yield {
                "title": title,
                "code": concept(coding(LOINC, number, title)),
                "entry": [publisher.refer(each) for each in found],
            }


def _words(report: CareReport) -> list[Json]:
    written = text(report.narrative)
    return [{"title": NARRATIVE.title, "text": narrative(*written.splitlines())}] if written else []
