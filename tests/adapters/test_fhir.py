"""The Patient and the Organizations. Sources: FHIR R4 4.0.1; "HL7 Version 2 to FHIR" 1.0.0, CX[Identifier]."""

from typing import Any

import pytest
from msgspec.structs import replace

from gateway.adapters.disclosure import names_band
from gateway.adapters.fhir import identifier, organization, patient
from gateway.errors import GatewayFault
from gateway.records import Detail, EpisodeState, Identifier, LinkState, Person, RecordKind, Sex
from tests.adapters.linked import (
    ALIAS,
    BAND,
    BAND_ONLY,
    LINKED_VISIT,
    ORGANISATIONS,
    PERSON,
    PUBLISHER,
    RECORD,
    at,
    link,
    sighting,
    with_admission,
    with_report,
)
from tests.r4 import R4

Json = dict[str, Any]

DOE = Person(family="DOE", given="JOHN", birth_date="1900-01-01", sex=Sex.MALE, phones=("555-0199",), unidentified=True)


def test_the_band_is_a_temporary_identifier_in_its_own_namespace() -> None:
    """PNT "Temporary Living Subject Number" (HL7 table 0203); `temp` is common practice, no source."""
    first, second = patient(RECORD, PUBLISHER)["identifier"][:2]
    assert first["use"] == "temp"
    assert first["type"]["coding"][0]["code"] == "PNT"
    assert first["type"]["coding"][0]["system"] == "http://terminology.hl7.org/CodeSystem/v2-0203"
    assert (first["system"], first["value"]) == ("urn:oid:2.16.840.1.113883.19.77.1", BAND)
    assert first["period"] == {"start": "2026-03-01T10:12:00-06:00"}
    assert second["value"] == ALIAS
    assert "period" not in second


def test_the_bands_of_a_closed_episode_are_old_but_there() -> None:
    closed = replace(RECORD.episode, state=EpisodeState.CLOSED, closed=at(600))
    bands = patient(replace(RECORD, episode=closed), PUBLISHER)["identifier"][:2]
    assert {each["use"] for each in bands} == {"old"}
    assert all(each["period"]["end"] == "2026-03-01T20:12:00-06:00" for each in bands)


def test_a_band_without_a_scheme_is_our_fault_and_not_named() -> None:
    strange = replace(RECORD, episode=replace(RECORD.episode, bands=("ZZ-1",)))
    with pytest.raises(GatewayFault) as fault:
        patient(strange, PUBLISHER)
    assert "ZZ-1" not in str(fault.value)


def test_the_facilitys_numbers_follow_the_bands_and_the_band_is_not_said_twice() -> None:
    values = [each["value"] for each in patient(RECORD, PUBLISHER)["identifier"]]
    assert values == [BAND, ALIAS, "00412907", "900-55-0142", "EP-55120"]


def test_a_number_of_the_agency_is_in_the_agencys_namespace() -> None:
    number = patient(RECORD, PUBLISHER)["identifier"][-1]
    assert number["system"] == ORGANISATIONS["harrow-point"].system
    assert number["type"]["coding"][0]["code"] == "PI"


def test_the_universal_id_wins_over_the_nickname() -> None:
    """Against the letter of HD[uri], which takes HD.1 where it is filled; a namespace id is no URI."""
    given = Identifier(value="4711", namespace="HOSP", universal_id="2.999.10", universal_id_type="ISO", type="MR")
    assert identifier(given)["system"] == "urn:oid:2.999.10"
    assert "assigner" not in identifier(given)


def test_an_issuer_known_by_name_is_an_assigner_and_no_system_is_invented() -> None:
    written = identifier(Identifier(value="123456789", namespace="USSSA", type="SS"))
    assert "system" not in written
    assert written["assigner"] == {"display": "USSSA"}


def test_check_digits_and_days_of_an_identifier() -> None:
    """CX[Identifier]: CX.2 and CX.3 are extensions, CX.7 and CX.8 the period."""
    given = Identifier(value="1", check_digit="5", check_scheme="M11", start="20260101", end="2027")
    written = identifier(given)
    assert written["value"] == "1"
    assert written["extension"] == [
        {"url": "http://hl7.org/fhir/StructureDefinition/identifier-checkDigit", "valueString": "5"},
        {"url": "http://hl7.org/fhir/StructureDefinition/namingsystem-checkDigit", "valueString": "M11"},
    ]
    assert written["period"] == {"start": "2026-01-01", "end": "2027"}


def test_a_band_with_its_check_character_apart_is_still_the_band() -> None:
    """CX.2 may hold the check character (common practice, no source)."""
    assert names_band(Identifier(value=BAND[:-1], check_digit=BAND[-1]), (), (BAND,))
    assert names_band(Identifier(value="yf7 k4m 2qg"), (sighting("yf7 k4m 2qg"),), (BAND,))
    assert not names_band(Identifier(value="00412907"), (sighting(),), (BAND,))


# ── the person ─────────────────────────────────────────────────────────────────────────────────────


def test_the_person_as_the_hospital_knows_them() -> None:
    written = patient(RECORD, PUBLISHER)
    assert written["name"][0] == {"family": "Quillfeather", "given": ["Ivy", "Maud"]}
    assert written["birthDate"] == "1971-02-03"
    assert written["gender"] == "female"
    assert written["telecom"] == [{"system": "phone", "value": "555-0142"}]
    assert written["address"][0]["city"] == "Yarrow Quay"


def test_names_that_differ_are_all_told() -> None:
    assert [name["given"] for name in patient(RECORD, PUBLISHER)["name"]] == [["Ivy", "Maud"], ["Ivy"]]


def test_a_filler_name_is_temporary_and_its_birth_date_no_date() -> None:
    """HumanName.use `temp` for an alias: IHE mPSC asks this."""
    record = replace(with_admission(patient=DOE), reports=())
    written = patient(record, PUBLISHER)
    assert written["name"] == [{"use": "temp", "family": "DOE", "given": ["JOHN"]}]
    assert "birthDate" not in written
    assert written["_birthDate"]["extension"][0]["valueCode"] == "unknown"
    assert written["gender"] == "male"
    assert "telecom" not in written


def test_a_known_person_comes_before_a_filler() -> None:
    written = patient(with_admission(patient=DOE), PUBLISHER)
    assert written["name"][0]["family"] == "Quillfeather"
    assert written["name"][1]["use"] == "temp"
    assert written["birthDate"] == "1971-02-03"


def test_nobodys_name_is_anonymous() -> None:
    record = replace(with_admission(patient=Person()), reports=())
    assert patient(record, PUBLISHER)["name"] == [{"use": "anonymous", "text": "Unidentified patient"}]


@pytest.mark.parametrize("day", ["1971-02", "1971"])
def test_a_birth_date_keeps_its_precision(day: str) -> None:
    record = replace(with_admission(patient=replace(PERSON, birth_date=day)), reports=())
    assert patient(record, PUBLISHER)["birthDate"] == day


def test_death() -> None:
    """PID[Patient]: PID-29 is deceasedDateTime, PID-30 deceasedBoolean where PID-29 is empty."""
    dead = with_admission(patient=replace(PERSON, deceased=True, deceased_at=at(300)))
    assert patient(dead, PUBLISHER)["deceasedDateTime"] == "2026-03-01T15:12:00-06:00"
    assert "deceasedBoolean" not in patient(dead, PUBLISHER)
    assert patient(with_admission(patient=replace(PERSON, deceased=True)), PUBLISHER)["deceasedBoolean"] is True
    assert patient(with_admission(patient=replace(PERSON, deceased=False)), PUBLISHER)["deceasedBoolean"] is False


# ── what may be told ───────────────────────────────────────────────────────────────────────────────


def test_without_content_a_patient_is_bands_and_record_numbers() -> None:
    """Band alone: identifiers only, and a social security number is no record number."""
    written = patient(BAND_ONLY, PUBLISHER)
    assert set(written) == {"resourceType", "id", "meta", "identifier"}
    assert [each["value"] for each in written["identifier"]] == [BAND, ALIAS, "00412907", "EP-55120"]


def test_an_unconfirmed_link_shows_no_person_even_to_a_clinical_recipient() -> None:
    loose = link("v-1", RecordKind.VISIT, confirmed=False)
    alone = replace(RECORD, visits=(replace(LINKED_VISIT, link=loose),), reports=())
    assert alone.detail is Detail.CLINICAL
    assert "name" not in patient(alone, PUBLISHER)


@pytest.mark.parametrize("state", [LinkState.HELD, LinkState.WITHDRAWN])
def test_a_link_that_does_not_stand_says_nothing_about_the_patient(state: LinkState) -> None:
    held = link("v-1", RecordKind.VISIT, state=state)
    record = replace(RECORD, visits=(replace(LINKED_VISIT, link=held),), reports=())
    assert [each["value"] for each in patient(record, PUBLISHER)["identifier"]] == [BAND, ALIAS]


def test_the_newest_visit_is_asked_first() -> None:
    later = replace(
        LINKED_VISIT.visit,
        admission=replace(LINKED_VISIT.visit.admission, event_time=at(90), patient=replace(PERSON, given="Iva")),
    )
    record = replace(RECORD, visits=(LINKED_VISIT, replace(LINKED_VISIT, id="v-2", visit=later)))
    assert patient(record, PUBLISHER)["name"][0]["given"] == ["Iva", "Maud"]


# ── validity ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "record",
    [RECORD, BAND_ONLY, with_admission(patient=DOE), with_report(patient=DOE), replace(RECORD, visits=(), reports=())],
)
def test_a_patient_is_valid(r4: R4, record: Any) -> None:
    r4.check(patient(record, PUBLISHER))


@pytest.mark.parametrize("known", ORGANISATIONS.values(), ids=lambda known: known.id)
def test_an_organization_is_valid(r4: R4, known: Any) -> None:
    written = organization(known)
    r4.check(written)
    assert written["name"] == known.name


def test_an_organization_carries_its_numbers() -> None:
    agency = organization(ORGANISATIONS["harrow-point"])["identifier"]
    assert agency == [
        {"type": {"text": "NEMSIS agency number"}, "value": "0417", "assigner": {"display": "NEMSIS state 49"}}
    ]
    values = [each["value"] for each in organization(ORGANISATIONS["anvil-head"])["identifier"]]
    assert values == ["urn:oid:2.16.840.1.113883.19.77.11", "AH-01"]
