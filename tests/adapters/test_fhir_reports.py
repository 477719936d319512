"""A care report as Encounter, Composition and statements.

Sources: NEMSIS data set 3.5.1 for what the codes mean, LOINC for the codes it is written in, FHIR R4 4.0.1.
"""

from typing import Any

import pytest
from msgspec.structs import replace

from gateway.adapters.fhir_reports import report_resources
from gateway.records import (
    CareReport,
    Condition,
    LinkedRecord,
    Medication,
    Person,
    Procedure,
    Reading,
    ReportTimes,
    VitalSigns,
)
from tests.adapters.linked import AGED, BAND_ONLY, LINKED_REPORT, PUBLISHER, RECORD, REPORT, UUID, at, with_report
from tests.r4 import R4

Json = dict[str, Any]


def resources(record: LinkedRecord, kind: str) -> list[Json]:
    found = report_resources(record, record.reports[0], PUBLISHER)
    return [each for each in found if each["resourceType"] == kind]


def encounter(record: LinkedRecord) -> Json:
    return resources(record, "Encounter")[0]


def observed(*readings: Reading, name: str, **signs: Any) -> Json:
    record = with_report(vitals=(VitalSigns(at=at(8), readings=readings, **signs),))
    return next(each for each in resources(record, "Observation") if each["id"] == f"r-1-v1-{name}")


def pressure(systolic: str, diastolic: str) -> Json:
    readings = (Reading(name="systolic", value=systolic), Reading(name="diastolic", value=diastolic))
    return observed(*readings, name="blood-pressure")


def loinc(resource: Json) -> str:
    coding = resource["code"]["coding"][0]
    assert coding["system"] == "http://loinc.org"
    return str(coding["code"])


# ── Encounter ──────────────────────────────────────────────────────────────────────────────────────


def test_the_encounter_of_a_care_report() -> None:
    written = encounter(RECORD)
    assert written["class"]["code"] == "FLD"
    assert written["status"] == "finished"
    assert written["period"] == {"start": "2026-03-01T10:06:00-06:00", "end": "2026-03-01T10:53:00-06:00"}
    assert written["serviceProvider"]["display"] == "Harrow Point Ambulance"
    assert written["hospitalization"]["destination"]["display"] == "Anvil Head Medical Center"
    assert written["identifier"][0]["value"] == "PCR-0098"
    assert written["identifier"][0]["system"] == "urn:oid:2.16.840.1.113883.19.77.3"
    assert written["identifier"][1] == {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{UUID}"}


def test_the_run_is_told_step_by_step() -> None:
    """eTimes.03, .06, .07, .12: planned, arrived, in progress."""
    steps = [(each["status"], each["period"]["start"][11:16]) for each in encounter(RECORD)["statusHistory"]]
    assert steps == [("planned", "09:52"), ("arrived", "10:06"), ("in-progress", "10:12")]
    assert encounter(RECORD)["statusHistory"][2]["period"]["end"] == "2026-03-01T10:53:00-06:00"


@pytest.mark.parametrize(
    ("times", "status"),
    [
        (ReportTimes(), "unknown"),
        (ReportTimes(notified=at(0)), "planned"),
        (ReportTimes(notified=at(0), on_scene=at(1)), "arrived"),
        (ReportTimes(on_scene=at(1), at_patient=at(2)), "in-progress"),
        (ReportTimes(back_in_service=at(9)), "finished"),
    ],
)
def test_the_status_is_as_far_as_the_times_go(times: ReportTimes, status: str) -> None:
    assert encounter(with_report(times=times))["status"] == status


def test_a_destination_outside_the_region_is_told_as_written() -> None:
    away = with_report(destination=None, destination_code="ZZ-9", destination_name="Far Shore Clinic")
    written = encounter(away)["hospitalization"]["destination"]
    assert written["display"] == "Far Shore Clinic"
    assert written["identifier"]["value"] == "ZZ-9"


def test_the_vehicle_and_its_leg() -> None:
    written = encounter(RECORD)
    assert written["contained"][0]["name"] == "M12"
    assert written["location"][0]["period"]["start"] == "2026-03-01T10:30:00-06:00"


def test_without_content_a_report_is_numbers_organisations_and_times() -> None:
    (written,) = report_resources(BAND_ONLY, BAND_ONLY.reports[0], PUBLISHER)
    assert set(written) == {
        "resourceType", "id", "meta", "identifier", "status", "statusHistory", "class", "subject", "period",
        "hospitalization", "serviceProvider",
    }  # fmt: skip


# ── Composition ────────────────────────────────────────────────────────────────────────────────────


def test_the_care_record_is_a_document_of_its_type_with_its_sections() -> None:
    """LOINC 67796-3 EMS patient care report, and the section codes of the care summary."""
    (written,) = resources(RECORD, "Composition")
    assert written["type"]["coding"][0]["code"] == "67796-3"
    assert written["identifier"]["value"] == f"urn:uuid:{UUID}"
    codes = [each["code"]["coding"][0]["code"] for each in written["section"] if "code" in each]
    assert codes == ["10154-3", "10164-2", "51848-0", "11283-9", "8716-3", "18610-6", "29554-3"]
    assert written["date"] == "2026-03-01T11:22:00-06:00"


def test_every_statement_stands_in_one_section() -> None:
    found = report_resources(RECORD, LINKED_REPORT, PUBLISHER)
    told = [
        entry["reference"].rpartition("/fhir/")[2]
        for section in resources(RECORD, "Composition")[0]["section"]
        for entry in section.get("entry", ())
    ]
    statements = [f"{each['resourceType']}/{each['id']}" for each in found[2:]]
    assert sorted(told) == sorted(statements)
    assert len(set(statements)) == len(statements)


def test_the_narrative_is_words_and_nothing_more() -> None:
    section = resources(RECORD, "Composition")[0]["section"][-1]
    assert section["text"]["div"].count("<p>") == 2
    assert "&lt;at&gt;" in section["text"]["div"]
    assert "entry" not in section


def test_a_partial_report_is_preliminary_and_one_without_times_still_dated() -> None:
    (written,) = resources(with_report(partial=True, times=ReportTimes()), "Composition")
    assert written["status"] == "preliminary"
    assert written["date"] == "2026-03-01T11:02:00-06:00"


# ── vital signs ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("name", "value", "code", "unit"),
    [
        ("heart_rate", "118", "8867-4", "/min"),
        ("spo2", "93", "2708-6", "%"),
        ("respiratory_rate", "24", "9279-1", "/min"),
        ("glucose", "103", "2339-0", "mg/dL"),
        ("coma_eye", "3", "9267-6", "{score}"),
        ("coma_verbal", "4", "9270-0", "{score}"),
        ("coma_motor", "6", "9268-4", "{score}"),
        ("coma_total", "13", "9269-2", "{score}"),
        ("temperature", "36.4", "8310-5", "Cel"),
        ("pain", "7", "72514-3", "{score}"),
    ],
)
def test_each_vital_sign_has_its_code_and_unit(name: str, value: str, code: str, unit: str) -> None:
    written = observed(Reading(name=name, value=value), name=name.replace("_", "-"))
    assert loinc(written) == code
    assert written["valueQuantity"]["value"] == float(value)
    assert written["valueQuantity"]["code"] == unit
    assert written["valueQuantity"]["system"] == "http://unitsofmeasure.org"
    assert written["effectiveDateTime"] == "2026-03-01T10:20:00-06:00"


def test_blood_pressure_is_one_panel() -> None:
    """FHIR vital signs: 85354-9 with the components 8480-6 and 8462-4."""
    written = observed(
        Reading(name="systolic", value="88"), Reading(name="diastolic", value="54"), name="blood-pressure"
    )
    assert loinc(written) == "85354-9"
    assert [(loinc(each), each["valueQuantity"]["value"]) for each in written["component"]] == [
        ("8480-6", 88),
        ("8462-4", 54),
    ]


def test_a_palpated_pressure_has_no_diastolic() -> None:
    """eVitals.07 may be P, palpated."""
    written = observed(
        Reading(name="systolic", value="88"), Reading(name="diastolic", value="P"), name="blood-pressure"
    )
    assert written["method"] == {"text": "Palpated"}
    assert "valueQuantity" not in written["component"][1]
    assert written["component"][1]["dataAbsentReason"]["coding"][0]["code"] == "not-performed"


@pytest.mark.parametrize(("word", "sign"), [("High", ">"), ("Low", "<")])
def test_glucose_off_the_scale_is_no_number(word: str, sign: str) -> None:
    """Table 0078 in v3-ObservationInterpretation: < off scale low, > off scale high."""
    written = observed(Reading(name="glucose", value=word), name="glucose")
    assert written["valueString"] == word
    assert written["interpretation"][0]["coding"][0]["code"] == sign


@pytest.mark.parametrize(
    ("value", "unit", "pressure"),
    [("31", "3340001", 31), ("4.1", "3340005", 30.8), ("4.1", "kPa", 30.8), ("31.0", "mmHg", 31)],
)
def test_end_tidal_carbon_dioxide_is_a_pressure(value: str, unit: str, pressure: float) -> None:
    """eVitals.16 @ETCO2Type: 3340001 mmHg, 3340005 kPa; 1 kPa = 7.5006 mmHg."""
    written = observed(Reading(name="etco2", value=value, unit=unit), name="etco2")
    assert loinc(written) == "19889-5"
    assert (written["valueQuantity"]["value"], written["valueQuantity"]["code"]) == (pressure, "mm[Hg]")


@pytest.mark.parametrize(("unit", "code"), [("3340003", "%"), (None, None)])
def test_a_share_or_an_unknown_unit_is_not_called_a_pressure(unit: str | None, code: str | None) -> None:
    written = observed(Reading(name="etco2", value="5.1", unit=unit), name="etco2")
    assert written["code"]["coding"][0]["system"].endswith("/CodeSystem/gateway-observation")
    assert written["valueQuantity"].get("code") == code


def test_alertness_is_coded() -> None:
    """eVitals.26."""
    written = observed(Reading(name="alertness", value="3326003"), name="alertness")
    assert loinc(written) == "67775-7"
    assert written["valueCodeableConcept"]["text"] == "Responds to voice"
    assert written["valueCodeableConcept"]["coding"][0]["system"].endswith("/CodeSystem/nemsis-v3")


@pytest.mark.parametrize(
    ("negative", "reason", "words"),
    [
        ("8801019", "asked-declined", "Refused"),
        ("8801023", "not-performed", "Unable to complete"),
        ("8801005", None, "Finding not present"),
    ],
)
@pytest.mark.parametrize("value", [None, "118"])
def test_a_pertinent_negative_is_no_value(negative: str, reason: str | None, words: str, value: str | None) -> None:
    """PN codes a vital sign may carry; a value beside one is negated too."""
    written = observed(Reading(name="heart_rate", value=value, negative=negative), name="heart-rate")
    assert "valueQuantity" not in written
    codes = {each["system"].rpartition("/")[2]: each["code"] for each in written["dataAbsentReason"]["coding"]}
    assert codes["nemsis-v3"] == negative
    assert codes.get("data-absent-reason") == reason
    assert written["dataAbsentReason"]["text"] == words


def test_what_was_only_not_recorded_is_not_told() -> None:
    record = with_report(vitals=(VitalSigns(readings=(Reading(name="heart_rate", missing="7701003"),)),))
    assert not [each for each in resources(record, "Observation") if "heart" in each["id"]]


def test_an_unknown_kind_of_reading_is_still_told() -> None:
    written = observed(Reading(name="skin_fold", value="4", unit="mm"), name="skin-fold")
    assert written["code"] == {"text": "skin fold"}
    assert written["valueQuantity"] == {"value": 4, "unit": "mm"}


def test_readings_of_one_name_keep_apart_and_before_is_said() -> None:
    twice = (Reading(name="pain", value="7"), Reading(name="pain", value="3"))
    assert observed(*twice, name="pain-2", before_unit=True)["valueQuantity"]["value"] == 3
    assert observed(*twice, name="pain", before_unit=True)["note"] == [{"text": "Before this unit's care"}]


# ── judgements ─────────────────────────────────────────────────────────────────────────────────────


def by_name(record: LinkedRecord, name: str) -> Json | None:
    return next((each for each in resources(record, "Observation") if each["id"] == f"r-1-{name}"), None)


def test_triage_is_no_acuity_and_no_colour_is_lost() -> None:
    """eScene.08 has no LOINC term; eSituation.13 is 67493-7, eDisposition.19 is 77941-3, list LL1843-3."""
    triage, initial = by_name(RECORD, "triage"), by_name(RECORD, "initial-acuity")
    final, flag = by_name(RECORD, "final-acuity"), by_name(RECORD, "mass-casualty")
    assert triage
    assert initial
    assert final
    assert flag
    assert triage["code"]["coding"][0]["code"] == "mci-triage-category"
    assert triage["valueCodeableConcept"]["text"] == "Red - Immediate"
    assert (loinc(initial), initial["valueCodeableConcept"]["coding"][0]["code"]) == ("67493-7", "LA17696-8")
    assert (loinc(final), final["valueCodeableConcept"]["coding"][0]["code"]) == ("77941-3", "LA17695-0")
    assert (loinc(flag), flag["valueCodeableConcept"]["coding"][0]["display"]) == ("67490-3", "No")


def test_expectant_is_never_shown_as_dead() -> None:
    grey = by_name(with_report(triage="2708007"), "triage")
    assert grey
    assert grey["valueCodeableConcept"]["text"] == "Gray - Expectant"


def test_an_acuity_without_loinc_answer_goes_with_its_own_code() -> None:
    """Dead *with* resuscitation efforts, 4219009, has no answer in LL1843-3."""
    found = by_name(with_report(final_acuity="4219009"), "final-acuity")
    assert found
    assert [each["code"] for each in found["valueCodeableConcept"]["coding"]] == ["4219009"]


def test_a_word_in_place_of_a_code_stands_as_words() -> None:
    found = by_name(with_report(triage="immediate"), "triage")
    assert found
    assert found["valueCodeableConcept"] == {"text": "immediate"}


def test_age_is_told_only_without_a_birth_date() -> None:
    """ePatient.15 is 30525-0; a birth date is never made of it."""
    found = by_name(with_report(patient=AGED), "age")
    assert found
    assert (loinc(found), found["valueQuantity"]["value"], found["valueQuantity"]["code"]) == ("30525-0", 64, "a")
    assert found["note"] == [{"text": "Estimated"}]
    assert by_name(with_report(patient=replace(AGED, birth_date="1962-01-01")), "age") is None
    assert by_name(with_report(patient=Person()), "age") is None


def test_contact_without_transport_stays_visible() -> None:
    """eDisposition.30."""
    found = by_name(with_report(transport="4230009"), "transport")
    assert found
    assert found["valueCodeableConcept"]["text"] == "Patient refused transport"


# ── treatments: a pertinent negative turns the statement round ─────────────────────────────────────


def test_a_drug_given() -> None:
    given = resources(RECORD, "MedicationAdministration")[0]
    assert given["status"] == "completed"
    assert given["medicationCodeableConcept"]["coding"][0]["system"] == "http://www.nlm.nih.gov/research/umls/rxnorm"
    assert given["dosage"]["dose"] == {
        "value": 324,
        "unit": "mg",
        "system": "http://unitsofmeasure.org",
        "code": "mg",
    }
    assert given["dosage"]["route"]["text"] == "Oral"
    assert given["dosage"]["text"] == "324 mg"
    assert given["note"] == [{"text": "Response: unchanged"}]
    assert given["performer"][0]["function"]["coding"][0]["code"] == "9905007"


@pytest.mark.parametrize("negative", ["8801001", "8801003", "8801007", "8801009", "8801019", "8801023", "8801027"])
def test_a_drug_with_a_pertinent_negative_is_not_a_drug_given(negative: str) -> None:
    """The codes eMedications.03 may carry; national rule e006."""
    drug = Medication(code="7052", at=at(12), dose="4", dose_unit="3706021", response="9916001", negative=negative)
    (written,) = resources(with_report(medications=(drug,)), "MedicationAdministration")
    assert written["status"] == "not-done"
    assert negative in [each["code"] for each in written["statusReason"][0]["coding"]]
    assert not {"dosage", "performer", "note"} & set(written)


@pytest.mark.parametrize("negative", ["8801001", "8801003", "8801019", "8801023", "8801027"])
def test_a_procedure_with_a_pertinent_negative_was_not_done(negative: str) -> None:
    """The codes eProcedures.03 may carry; national rule e007."""
    step = Procedure(code="112798008", at=at(14), attempts=2, successful=True, complications=("3907003",))
    (written,) = resources(with_report(procedures=(replace(step, negative=negative),)), "Procedure")
    assert written["status"] == "not-done"
    assert not {"outcome", "performer", "complication", "extension"} & set(written)
    (done,) = resources(with_report(procedures=(step,)), "Procedure")
    assert done["status"] == "completed"
    assert done["outcome"] == {"text": "Successful"}
    assert done["extension"][0]["valueInteger"] == 2


def test_a_symptom_with_a_pertinent_negative_is_refuted_and_no_diagnosis() -> None:
    """eSituation.10 with 8801031; national rule e005."""
    refuted = [
        each for each in resources(RECORD, "Condition") if each["code"].get("coding", [{}])[0].get("code") == "R06.02"
    ]
    assert refuted[0]["verificationStatus"]["coding"][0]["code"] == "refuted"
    assert "clinicalStatus" not in refuted[0]
    impression = with_report(conditions=(Condition(kind="primary-impression", code="I21.3", negative="8801005"),))
    assert resources(impression, "Condition")[0]["verificationStatus"]["coding"][0]["code"] == "refuted"
    assert "diagnosis" not in encounter(impression)


def test_a_negative_about_nothing_in_particular_is_no_condition() -> None:
    assert resources(with_report(conditions=(Condition(kind="symptom", negative="8801015"),)), "Condition") == []


def test_a_drug_of_unknown_time_was_given_while_the_crew_was_there() -> None:
    """MedicationAdministration.effective[x] is 1..1."""
    (during,) = resources(with_report(medications=(Medication(code="7052"),)), "MedicationAdministration")
    assert during["effectivePeriod"] == {"start": "2026-03-01T10:12:00-06:00", "end": "2026-03-01T10:53:00-06:00"}
    before = with_report(medications=(Medication(code="7052", before_unit=True),))
    (earlier,) = resources(before, "MedicationAdministration")
    assert earlier["effectivePeriod"] == {"end": "2026-03-01T10:12:00-06:00"}
    assert earlier["note"] == [{"text": "Before this unit's care"}]
    timeless = with_report(medications=(Medication(code="7052"),), times=ReportTimes())
    (nowhen,) = resources(timeless, "MedicationAdministration")
    assert nowhen["effectivePeriod"]["extension"][0]["valueCode"] == "unknown"


@pytest.mark.parametrize(
    ("code_system", "uri"),
    [
        ("9924003", "http://www.nlm.nih.gov/research/umls/rxnorm"),
        ("9924005", "http://snomed.info/sct"),
        ("http://drugs.example.org", "http://drugs.example.org"),
        ("own list", None),
    ],
)
def test_the_system_of_a_drug_code(code_system: str, uri: str | None) -> None:
    """eMedications.03 @CodeType: 9924003 RxNorm, 9924005 SNOMED CT."""
    record = with_report(medications=(Medication(code="7052", code_system=code_system),))
    (written,) = resources(record, "MedicationAdministration")
    assert written["medicationCodeableConcept"]["coding"][0].get("system") == uri


# ── validity ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "report",
    [
        REPORT,
        CareReport(key="bare", number="1", organisation="harrow-point"),
        CareReport(key="strange", number=" ", organisation="of nowhere"),
        replace(REPORT, times=ReportTimes(), medications=(Medication(code="7052"),), patient=AGED),
    ],
)
def test_what_a_report_becomes_is_valid(r4: R4, report: CareReport) -> None:
    item = replace(LINKED_REPORT, report=report)
    for resource in report_resources(replace(RECORD, reports=(item,)), item, PUBLISHER):
        r4.check(resource)
