"""A visit as Encounter and Conditions, against the tables of "HL7 Version 2 to FHIR" 1.0.0 themselves."""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from gateway.adapters.fhir import patient
from gateway.adapters.fhir_visits import visit_resources
from gateway.records import (
    Address,
    Admission,
    Diagnosis,
    Identifier,
    LinkedRecord,
    Location,
    Person,
    Sex,
    Visit,
    VisitState,
)
from tests.adapters.linked import BAND_ONLY, LINKED_VISIT, ORGANISATIONS, PUBLISHER, RECORD, at, with_admission
from tests.r4 import R4

Json = dict[str, Any]

TABLES = Path(__file__).parents[3] / "shared" / "standards" / "v2-to-fhir" / "codesystems"


def rows(name: str) -> Iterator[tuple[str, str, str]]:
    """The rows of one code map that have a v2 side: code, FHIR code, FHIR system."""
    path = TABLES / f"{name}.csv"
    if not path.is_file():
        pytest.skip("the v2-to-FHIR tables are not beside this checkout (../shared/standards/v2-to-fhir)")
    with path.open(newline="", encoding="utf-8-sig") as file:
        for row in list(csv.reader(file))[2:]:
            if row[0].strip() and row[6].strip():
                yield row[0].strip(), row[6].strip(), row[9].strip()


def encounter(record: LinkedRecord) -> Json:
    return visit_resources(record, record.visits[0], PUBLISHER)[0]


def test_every_patient_class_becomes_what_the_guide_says() -> None:
    for given, code, system in rows("PatientClass-EncounterClass"):
        written = encounter(with_admission(patient_class=given))["class"]
        assert (written["code"], written["system"]) == (code, system)


def test_a_visit_that_lasts_has_the_status_of_its_class() -> None:
    for given, code, _ in rows("PatientClass-EncounterStatus"):
        assert encounter(with_admission(patient_class=given))["status"] == code


@pytest.mark.parametrize(
    ("state", "trigger"),
    [
        (VisitState.PRESENT, "A01"),
        (VisitState.PRESENT, "A02"),
        (VisitState.DISCHARGED, "A03"),
        (VisitState.EXPECTED, "A05"),
        (VisitState.CANCELLED, "A11"),
        (VisitState.PRESENT, "A13"),
    ],
)
def test_the_state_of_a_visit_gives_what_the_guide_says_of_its_trigger(state: VisitState, trigger: str) -> None:
    """Map Event[EncounterStatus]; of its rows A04 (planned) and A08 (unknown) are not followed, on purpose."""
    said = {given: code for given, code, _ in rows("Event-EncounterStatus")}
    assert encounter(with_admission(state, patient_class="I"))["status"] == said[trigger]


def test_an_emergency_registration_is_in_progress() -> None:
    assert encounter(with_admission(trigger="A04", patient_class="E"))["status"] == "in-progress"


def test_admission_types_services_and_diagnosis_types() -> None:
    for given, code, system in rows("AdmissionType"):
        written = encounter(with_admission(admission_type=given))["type"][0]["coding"][0]
        assert (written["code"], written["system"]) == (code, system)
    for given, code, system in rows("HospitalService"):
        written = encounter(with_admission(service=given))["serviceType"]["coding"][0]
        assert (written["code"], written["system"]) == (code, system)
    for given, code, system in rows("DiagnosisType"):
        found = with_admission(diagnoses=(Diagnosis(code="I21.3", type=given),))
        written = encounter(found)["diagnosis"][0]["use"]["coding"][0]
        assert (written["code"], written["system"]) == (code, system)


def test_codes_of_the_sites_own_are_kept_without_a_system() -> None:
    written = encounter(with_admission(patient_class="OBS2", admission_type="9", service="XRAY"))
    assert written["class"] == {"code": "OBS2"}
    assert written["type"] == [{"coding": [{"code": "9"}]}]
    assert written["serviceType"] == {"coding": [{"code": "XRAY"}]}


def test_no_class_is_the_class_unknown() -> None:
    assert encounter(with_admission(patient_class=None))["class"]["code"] == "U"


def test_the_visit_number() -> None:
    """PV1-19: identifier of type VN, text "visit number"; the facility issues it where it names nobody else."""
    number = encounter(RECORD)["identifier"][0]
    assert number["value"] == "V-20931"
    assert number["type"]["coding"][0]["code"] == "VN"
    assert number["type"]["text"] == "visit number"
    assert number["assigner"]["display"] == ORGANISATIONS["anvil-head"].name
    assert "system" not in number


def test_the_alternate_number_and_the_account() -> None:
    both = with_admission(alternate_visit=Identifier(value="ALT-1", type="VN"))
    assert [each["value"] for each in encounter(both)["identifier"]] == ["V-20931", "ALT-1"]
    only = with_admission(visit_number=None, account=Identifier(value="ACC-1", type="AN"))
    assert [each["value"] for each in encounter(only)["identifier"]] == ["ACC-1"]


def test_places_form_a_chain_and_the_encounter_stands_in_the_narrowest() -> None:
    """PL[Location]: the most granular place is referenced, each part of the wider one."""
    written = encounter(with_admission(previous_location=Location(unit="TRI")))
    by_id = {each["id"]: each for each in written["contained"]}
    assert [each["location"]["reference"] for each in written["location"]] == ["#now-bed", "#before-unit"]
    assert [each["status"] for each in written["location"]] == ["active", "completed"]
    assert by_id["now-bed"]["partOf"] == {"reference": "#now-room"}
    assert by_id["now-room"]["partOf"] == {"reference": "#now-unit"}
    assert by_id["now-room"]["physicalType"]["coding"][0]["code"] == "ro"
    assert by_id["now-bed"]["identifier"] == [{"value": "2"}]


def test_a_planned_visit_has_a_planned_place() -> None:
    written = encounter(with_admission(VisitState.EXPECTED, patient_class="P"))
    assert written["location"][0]["status"] == "planned"


@pytest.mark.parametrize(
    ("given", "number", "disposition"),
    [("1", "01", "home"), ("01", "01", "home"), ("20", "20", "exp"), ("07", "07", "aadvice"), ("02", "02", None)],
)
def test_discharge_disposition(given: str, number: str, disposition: str | None) -> None:
    """UB-04 patient status; the FHIR side where one fits: code system discharge-disposition."""
    written = encounter(with_admission(VisitState.DISCHARGED, disposition=given))
    codings = written["hospitalization"]["dischargeDisposition"]["coding"]
    assert codings[0] == {"system": "https://www.nubc.org/CodeSystem/PatDischargeStatus", "code": number}
    assert [each["code"] for each in codings[1:]] == ([disposition] if disposition else [])


def test_a_local_disposition_is_kept_as_it_came() -> None:
    written = encounter(with_admission(VisitState.DISCHARGED, disposition="HOME"))
    assert written["hospitalization"]["dischargeDisposition"] == {"coding": [{"code": "HOME"}]}


def test_a_visit_ends_only_when_it_has_ended() -> None:
    stay = replace(LINKED_VISIT.visit, ended=at(400))
    here = replace(RECORD, visits=(replace(LINKED_VISIT, visit=stay),))
    gone = replace(here, visits=(replace(LINKED_VISIT, visit=replace(stay, state=VisitState.DISCHARGED)),))
    assert "end" not in encounter(here)["period"]
    assert encounter(gone)["period"]["end"] == "2026-03-01T16:52:00-06:00"


def test_a_diagnosis_is_a_condition() -> None:
    found, condition = visit_resources(RECORD, RECORD.visits[0], PUBLISHER)
    assert condition["code"]["coding"][0] == {"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "I21.3"}
    assert condition["code"]["text"] == "Heart attack"
    assert found["diagnosis"][0]["condition"]["reference"].endswith(f"/Condition/{condition['id']}")


def test_without_content_nothing_clinical_is_left() -> None:
    """A class that tells an illness (B, obstetrics) is not told either."""
    shown = replace(with_admission(patient_class="B"), detail=BAND_ONLY.detail)
    (written,) = visit_resources(shown, shown.visits[0], PUBLISHER)
    assert set(written) == {
        "resourceType", "id", "meta", "identifier", "status", "class", "subject", "period", "serviceProvider",
    }  # fmt: skip
    assert written["class"]["code"] == "U"
    assert encounter(BAND_ONLY)["class"]["code"] == "EMER"


# ── the standard's worked example ──────────────────────────────────────────────────────────────────

# ADT^A01 of the standard (3.5.1; HL7's "v2 sample messages" page, 2.8 form) as the record it says.
A01 = Admission(
    organisation="anvil-head",
    trigger="A01",
    control_id="MSG00001",
    version="2.8",
    processing_id="P",
    event_time=at(0),
    identifiers=(
        Identifier(
            value="PATID1234",
            check_digit="5",
            check_scheme="M11",
            namespace="ADT1",
            type="MR",
            facility="GOOD HEALTH HOSPITAL",
        ),
        Identifier(value="123456789", namespace="USSSA", type="SS"),
    ),
    account=Identifier(value="PATID12345001", check_digit="2", check_scheme="M10", namespace="ADT1", type="AN"),
    patient=Person(
        family="EVERYMAN",
        given="ADAM",
        middle="A",
        suffix="III",
        birth_date="1961-06-15",
        sex=Sex.MALE,
        address=Address(
            lines=("2222 HOME STREET",), city="GREENSBORO", state="NC", postal_code="27401-1020", district="GL"
        ),
        phones=("(555) 555-2004",),
    ),
    patient_class="I",
    location=Location(unit="2000", room="2012", bed="01"),
    service="SUR",
    admit_source="ADM",
    attending=Identifier(value="004777"),
    attending_name="ATTEND AARON A",
)
WORKED = replace(
    RECORD,
    reports=(),
    visits=(
        replace(LINKED_VISIT, visit=Visit(key="a", organisation="anvil-head", state=VisitState.PRESENT, admission=A01)),
    ),
)


def test_the_standards_a01_as_patient() -> None:
    """PID[Patient], CX[Identifier], XPN[HumanName], PID-12 as address.district."""
    written = patient(WORKED, PUBLISHER)
    record_number, social = written["identifier"][2:]
    assert record_number["value"] == "PATID1234"
    assert record_number["type"]["coding"][0]["code"] == "MR"
    assert [each["valueString"] for each in record_number["extension"]] == ["5", "M11"]
    assert record_number["assigner"] == {"display": "ADT1"}
    assert (social["value"], social["type"]["coding"][0]["code"]) == ("123456789", "SS")
    assert written["name"] == [{"family": "EVERYMAN", "given": ["ADAM", "A"], "suffix": ["III"]}]
    assert written["birthDate"] == "1961-06-15"
    assert written["gender"] == "male"
    assert written["address"] == [
        {
            "line": ["2222 HOME STREET"],
            "city": "GREENSBORO",
            "district": "GL",
            "state": "NC",
            "postalCode": "27401-1020",
        }
    ]
    assert written["telecom"] == [{"system": "phone", "value": "(555) 555-2004"}]


def test_the_standards_a01_as_encounter() -> None:
    """PV1[Encounter]: class, status, location, attender, service, admit source."""
    written = encounter(WORKED)
    assert written["class"]["code"] == "IMP"
    assert written["status"] == "in-progress"
    assert [each["name"] for each in written["contained"]] == ["2000", "2012", "01"]
    attender = written["participant"][0]
    assert attender["type"][0]["coding"][0]["code"] == "ATND"
    assert attender["individual"]["identifier"]["value"] == "004777"
    assert written["serviceType"]["coding"][0] == {
        "system": "http://terminology.hl7.org/CodeSystem/v2-0069",
        "code": "SUR",
        "display": "Surgical Service",
    }
    assert written["hospitalization"]["admitSource"] == {"coding": [{"code": "ADM"}]}
    assert written["identifier"][0]["value"] == "PATID12345001"


@pytest.mark.parametrize(
    "record",
    [RECORD, BAND_ONLY, WORKED, with_admission(patient_class=None, location=None, diagnoses=(), visit_number=None)],
)
def test_what_a_visit_becomes_is_valid(r4: R4, record: LinkedRecord) -> None:
    for resource in visit_resources(record, record.visits[0], PUBLISHER):
        r4.check(resource)
