"""Invented linked records of the invented region that the tests of the outgoing side share."""

from datetime import datetime, timedelta, timezone

from msgspec.structs import replace

from gateway.adapters.fhir import Publisher
from gateway.adapters.notifications import Occasion
from gateway.records import (
    Address,
    Admission,
    Age,
    CareReport,
    Condition,
    Detail,
    Diagnosis,
    Episode,
    EpisodeState,
    How,
    Identifier,
    Link,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    LinkState,
    Location,
    Medication,
    Organisation,
    Person,
    Procedure,
    Reading,
    RecordKind,
    ReportTimes,
    Sex,
    Sighting,
    Topic,
    Traffic,
    Visit,
    VisitState,
    VitalSigns,
)
from tests.bands.schemes import SCHEMES

BASE = "https://gateway.example.org/fhir"
BAND, ALIAS = "YF7K4M2QG", "YF0A1C2DA"
ZONE = timezone(timedelta(hours=-6))
OPENED = datetime(2026, 3, 1, 10, 12, tzinfo=ZONE)
UUID = "0c7d6a5e-58a8-4a40-9b0e-53c7ac12c1f9"

ORGANISATIONS = {
    each.id: each
    for each in (
        Organisation(
            id="harrow-point",
            kind="agency",
            name="Harrow Point Ambulance",
            system="urn:oid:2.16.840.1.113883.19.77.3",
            nemsis_number="0417",
            nemsis_state="49",
        ),
        Organisation(
            id="anvil-head",
            kind="facility",
            name="Anvil Head Medical Center",
            system="urn:oid:2.16.840.1.113883.19.77.11",
            namespace="AHMC",
            universal_id="2.16.840.1.113883.19.77.11",
            universal_id_type="ISO",
            codes=("AH-01",),
        ),
    )
}

PUBLISHER = Publisher(base=BASE, schemes=SCHEMES, organisations=ORGANISATIONS, software="gateway 0.0 (test)")

OCCASION = Occasion(
    bundle_id="n-7",
    subscription="anvil-head-fhir",
    topic=Topic.RECORDS_LINKED,
    number=7,
    total=7,
    timestamp=OPENED + timedelta(hours=1),
)


def at(minutes: int) -> datetime:
    return OPENED + timedelta(minutes=minutes)


def link(record: str, kind: RecordKind, *, confirmed: bool = True, state: LinkState = LinkState.LINKED) -> Link:
    return Link(
        id=f"l-{record}",
        episode="ep-1",
        kind=kind,
        record=record,
        organisation="harrow-point" if kind is RecordKind.CARE_REPORT else "anvil-head",
        state=state,
        confirmed=confirmed,
        reasons=(),
        decided=at(50),
    )


def sighting(raw: str = BAND, path: str = "eOutcome.04", canonical: str | None = BAND) -> Sighting:
    return Sighting(raw=raw, canonical=canonical, how=How.IDENTIFIER, path=path, rule="test: band", line=211)


VITALS = VitalSigns(
    at=at(8),
    readings=(
        Reading(name="systolic", value="88"),
        Reading(name="diastolic", value="54"),
        Reading(name="heart_rate", value="118"),
        Reading(name="spo2", value="93"),
        Reading(name="respiratory_rate", value="24"),
        Reading(name="etco2", value="31", unit="3340001"),
        Reading(name="glucose", value="High"),
        Reading(name="coma_eye", value="3"),
        Reading(name="coma_verbal", value="4"),
        Reading(name="coma_motor", value="6"),
        Reading(name="coma_total", value="13"),
        Reading(name="temperature", value="36.4"),
        Reading(name="alertness", value="3326003"),
        Reading(name="pain", negative="8801019"),
    ),
)

PERSON = Person(
    family="Quillfeather",
    given="Ivy",
    middle="Maud",
    birth_date="1971-02-03",
    sex=Sex.FEMALE,
    phones=("555-0142",),
    address=Address(lines=("1 Reed Lane",), city="Yarrow Quay", postal_code="00000"),
)

REPORT = CareReport(
    key=UUID,
    uuid=UUID.upper(),
    number="PCR-0098",
    organisation="harrow-point",
    incident_number="INC-0311",
    response_number="RSP-0712",
    unit="M12",
    service="2205001",
    patient=replace(PERSON, middle=None),
    patient_identifiers=(Identifier(value="EP-55120", type="PI"),),
    times=ReportTimes(
        notified=at(-20),
        on_scene=at(-6),
        at_patient=at(0),
        left_scene=at(18),
        arrived=at(35),
        handed_over=at(41),
        back_in_service=at(70),
    ),
    destination="anvil-head",
    destination_code="AH-01",
    transport="4230001",
    mass_casualty=False,
    triage="2708001",
    initial_acuity="2813001",
    final_acuity="4219003",
    conditions=(
        Condition(kind="complaint", text="Chest pain"),
        Condition(kind="symptom", code="R07.9"),
        Condition(kind="other-symptom", code="R06.02", negative="8801031"),
        Condition(kind="primary-impression", code="I21.3"),
    ),
    vitals=(VITALS,),
    medications=(
        Medication(
            code="317361",
            at=at(10),
            route="9927035",
            dose="324",
            dose_unit="3706021",
            response="9916003",
            performer_role="9905007",
        ),
        Medication(code="7052", at=at(12), dose="4", dose_unit="3706021", negative="8801007"),
    ),
    procedures=(
        Procedure(code="268400002", at=at(9), attempts=1, successful=True),
        Procedure(code="112798008", at=at(14), attempts=2, successful=True, negative="8801019"),
    ),
    narrative="Found seated <at> the pier.\nPain & sweating.",
    sightings=(sighting(),),
)

ADMISSION = Admission(
    organisation="anvil-head",
    trigger="A04",
    control_id="AH-000412",
    event_time=at(45),
    version="2.5.1",
    visit_number=Identifier(value="V-20931"),
    identifiers=(
        Identifier(
            value="00412907",
            system="urn:oid:2.16.840.1.113883.19.77.11.1",
            type="MR",
            namespace="AHMC",
            universal_id="2.16.840.1.113883.19.77.11.1",
            universal_id_type="ISO",
        ),
        Identifier(value="900-55-0142", namespace="USSSA", type="SS"),
        Identifier(value="yf7-k4m-2qg", namespace="AHMC", type="PI"),
    ),
    patient=PERSON,
    patient_class="E",
    location=Location(unit="ED", room="R4", bed="2"),
    service="CAR",
    admitted_at=at(43),
    diagnoses=(Diagnosis(code="I21.3", system="I10C", text="Heart attack", type="A"),),
    sightings=(sighting("yf7-k4m-2qg", "PID-3[3].1"),),
)

VISIT = Visit(
    key="v", organisation="anvil-head", state=VisitState.PRESENT, admission=ADMISSION, started=ADMISSION.admitted_at
)

LINKED_REPORT = LinkedReport(id="r-1", report=REPORT, link=link("r-1", RecordKind.CARE_REPORT), version=2)
LINKED_VISIT = LinkedVisit(id="v-1", visit=VISIT, link=link("v-1", RecordKind.VISIT))

RECORD = LinkedRecord(
    episode=Episode(id="ep-1", state=EpisodeState.OPEN, traffic=Traffic.LIVE, bands=(BAND, ALIAS), opened=OPENED),
    recipient="anvil-head",
    detail=Detail.CLINICAL,
    reports=(LINKED_REPORT,),
    visits=(LINKED_VISIT,),
)

BAND_ONLY = replace(RECORD, detail=Detail.IDENTIFIERS)


def with_report(**changes: object) -> LinkedRecord:
    """The shared record with its care report changed."""
    return replace(RECORD, reports=(replace(LINKED_REPORT, report=replace(REPORT, **changes)),))


def with_admission(state: VisitState = VisitState.PRESENT, **changes: object) -> LinkedRecord:
    """The shared record with its visit's newest admission message changed."""
    visit = replace(VISIT, state=state, admission=replace(ADMISSION, **changes))
    return replace(RECORD, visits=(replace(LINKED_VISIT, visit=visit),))


AGED = Person(age=Age(value=64, unit="a", estimated=True), sex=Sex.MALE)
