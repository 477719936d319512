"""A hospital visit as FHIR R4 Encounter with its diagnoses, as "HL7 Version 2 to FHIR" 1.0.0 maps PV1 and DG1.

Two departures from that guide. The status comes from what all messages of the visit said together
(`VisitState`), and from the patient class only while the visit lasts: the guide's own map by trigger would
make every emergency registration `planned`. Locations are contained: a bed's name means nothing outside the
message that used it.
"""

from collections.abc import Sequence
from itertools import pairwise

from msgspec.structs import replace

from gateway.adapters.disclosure import shows_content
from gateway.adapters.fhir import Publisher, identifier
from gateway.adapters.fhir_codes import (
    ADMISSION_TYPE,
    CODING_SYSTEM,
    CONDITION_CATEGORY,
    DIAGNOSIS_TYPE,
    DISPOSITION,
    ENCOUNTER_CLASS,
    HOSPITAL_SERVICE,
    LOCATION_PHYSICAL,
    PARTICIPATION,
    PATIENT_STATUS_AT_DISCHARGE,
    STATUS_OF_CLASS,
    UNKNOWN_CLASS,
    Term,
)
from gateway.adapters.fhir_elements import (
    Json,
    code,
    coding,
    compact,
    concept,
    of_term,
    period,
    resource_id,
    text,
    uri,
)
from gateway.records import (
    Admission,
    Diagnosis,
    LinkedRecord,
    LinkedVisit,
    Location,
    Visit,
    VisitState,
)

_STATUS = {
    VisitState.EXPECTED: "planned",
    VisitState.DISCHARGED: "finished",
    VisitState.CANCELLED: "cancelled",
}

#: Classes that say how a patient is looked after and nothing about why.
_ADMINISTRATIVE = frozenset("EIOP")

#: From the widest place to the narrowest: attribute, FHIR physical type, words.
_PLACES = (("unit", "wa", "Ward"), ("room", "ro", "Room"), ("bed", "bd", "Bed"))


def visit_resources(record: LinkedRecord, item: LinkedVisit, publisher: Publisher) -> list[Json]:
    """Give back the Encounter of a visit, followed by one Condition for each diagnosis."""
    subject = publisher.reference("Patient", record.episode.id)
    if not shows_content(record, item):
        return [_bare_encounter(item, subject, publisher)]
    conditions = _conditions(item, subject, publisher)
    return [_encounter(item, subject, conditions, publisher), *conditions]


# ── Encounter ──────────────────────────────────────────────────────────────────────────────────────


def _bare_encounter(item: LinkedVisit, subject: Json, publisher: Publisher) -> Json:
    """What is left without content: numbers, organisation, times, and a class if it tells no illness."""
    visit = item.visit
    return {
        "resourceType": "Encounter",
        "id": resource_id(item.id),
        "meta": {"versionId": str(item.version)},
        **compact(identifier=_identifiers(visit, publisher)),
        "status": _status(visit),
        "class": _class(visit.admission.patient_class, _ADMINISTRATIVE),
        "subject": subject,
        **compact(period=_period(visit), serviceProvider=publisher.organisation(visit.organisation)),
    }


def _encounter(item: LinkedVisit, subject: Json, conditions: Sequence[Json], publisher: Publisher) -> Json:
    visit, admission = item.visit, item.visit.admission
    places, locations = _locations(visit)
    return {
        **_bare_encounter(item, subject, publisher),
        "class": _class(admission.patient_class, ENCOUNTER_CLASS),
        **compact(
            contained=places,
            type=_as_list(_known_or_words(admission.admission_type, ADMISSION_TYPE)),
            serviceType=_known_or_words(admission.service, HOSPITAL_SERVICE),
            participant=_attending(admission),
            diagnosis=_diagnoses(admission.diagnoses, conditions, publisher),
            hospitalization=_hospitalization(admission),
            location=locations,
        ),
    }


def _identifiers(visit: Visit, publisher: Publisher) -> list[Json]:
    """PV1-19, which the facility itself issues unless it names somebody else, and PV1-50; else the account."""
    admission = visit.admission
    own = publisher.organisation(visit.organisation)
    found = []
    if admission.visit_number:
        number = replace(admission.visit_number, type="VN")
        found.append(identifier(number, type_words="visit number", assigner=own))
    if admission.alternate_visit:
        found.append(identifier(admission.alternate_visit))
    if admission.account and not found:
        found.append(identifier(admission.account, assigner=own))
    return [each for each in found if "value" in each]


def _status(visit: Visit) -> str:
    return _STATUS.get(visit.state) or STATUS_OF_CLASS.get(visit.admission.patient_class or "", "in-progress")


def _class(given: str | None, shown: frozenset[str] | dict[str, Term]) -> Json:
    """Encounter.class is required; a class of the site's own is kept as its bare code."""
    written = code(given)
    if written is None or (isinstance(shown, frozenset) and written not in shown):
        return UNKNOWN_CLASS._asdict()
    term = ENCOUNTER_CLASS.get(written)
    return term._asdict() if term else {"code": written}


def _period(visit: Visit) -> Json:
    ended = visit.ended if visit.state is VisitState.DISCHARGED else None
    return period(visit.started or visit.admission.admitted_at, ended)


def _known_or_words(given: str | None, table: dict[str, Term]) -> Json:
    """A code of the table as it maps; one of the site's own as bare code, since nobody published its system."""
    term = table.get(given or "")
    return of_term(term) if term else concept(coding(None, given))


def _as_list(value: Json) -> list[Json]:
    return [value] if value else []


def _attending(admission: Admission) -> list[Json]:
    who = compact(
        type="Practitioner",
        identifier=identifier(admission.attending) if admission.attending else None,
        display=text(admission.attending_name),
    )
    role = concept(coding(PARTICIPATION, "ATND", "attender"))
    return [{"type": [role], "individual": who}] if len(who) > 1 else []


def _hospitalization(admission: Admission) -> Json:
    return compact(
        admitSource=concept(coding(None, admission.admit_source)),
        destination=compact(display=text(admission.discharged_to)),
        dischargeDisposition=_disposition(admission.disposition),
    )


def _disposition(given: str | None) -> Json:
    """PV1-36: a two-digit number is a UB-04 patient status, as table 0112 is meant in its home country."""
    written = code(given)
    if written is None or not (written.isascii() and written.isdigit() and len(written) <= 2):
        return concept(coding(None, written))
    status = written.zfill(2)
    term = DISPOSITION.get(status)
    return concept(coding(PATIENT_STATUS_AT_DISCHARGE, status), term._asdict() if term else {})


# ── places ─────────────────────────────────────────────────────────────────────────────────────────


def _locations(visit: Visit) -> tuple[list[Json], list[Json]]:
    """PV1-3 and PV1-6 as contained Locations, and the Encounter's references to the narrowest of each."""
    admission = visit.admission
    now = "planned" if _status(visit) == "planned" else "active"
    contained: list[Json] = []
    references: list[Json] = []
    for name, status, place in (("now", now, admission.location), ("before", "completed", admission.previous_location)):
        chain = _chain(name, place) if place else []
        if chain:
            contained += chain
            references.append({"location": {"reference": f"#{chain[-1]['id']}"}, "status": status})
    return contained, references


def _chain(name: str, place: Location) -> list[Json]:
    """One Location for each part that is named, each part of the one before it."""
    parts = ((place.unit, *_PLACES[0]), (place.room, *_PLACES[1]), (place.bed, *_PLACES[2]))
    chain = [
        {
            "resourceType": "Location",
            "id": f"{name}-{part}",
            "identifier": [{"value": value}],
            "name": value,
            "mode": "instance",
            "physicalType": concept(coding(LOCATION_PHYSICAL, kind, words)),
        }
        for given, part, kind, words in parts
        if (value := text(given))
    ]
    for wider, narrower in pairwise(chain):
        narrower["partOf"] = {"reference": f"#{wider['id']}"}
    return chain


# ── diagnoses ──────────────────────────────────────────────────────────────────────────────────────


def _conditions(item: LinkedVisit, subject: Json, publisher: Publisher) -> list[Json]:
    encounter = publisher.reference("Encounter", item.id)
    return [
        {
            "resourceType": "Condition",
            "id": resource_id(f"{item.id}-dx-{number}"),
            "meta": {"versionId": str(item.version)},
            "category": [concept(coding(CONDITION_CATEGORY, "encounter-diagnosis", "Encounter Diagnosis"))],
            "code": what,
            "subject": subject,
            "encounter": encounter,
        }
        for number, diagnosis in enumerate(item.visit.admission.diagnoses, 1)
        if (what := _diagnosis_code(diagnosis))
    ]


def _diagnosis_code(given: Diagnosis) -> Json:
    system = CODING_SYSTEM.get(given.system or "") or uri(given.system)
    return concept(coding(system, given.code), words=given.text)


def _diagnoses(given: Sequence[Diagnosis], conditions: Sequence[Json], publisher: Publisher) -> list[Json]:
    told = [diagnosis for diagnosis in given if _diagnosis_code(diagnosis)]
    return [
        {
            "condition": publisher.refer(condition),
            **compact(use=_known_or_words(diagnosis.type, DIAGNOSIS_TYPE)),
        }
        for diagnosis, condition in zip(told, conditions, strict=True)
    ]
