"""Care reports through the shipped mappings: every value with its place, and nothing that the source denies."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.care_reports import reports
from gateway.adapters.report_payload import PIECE
from gateway.bands.scheme import Scheme
from gateway.errors import ConfigurationFault, UnreadableMessage
from gateway.mapping.care_reports import CareReportReader, compile_care_reports
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.source import Authority, Source
from gateway.records import Age, CareReport, Condition, How, Identifier, Reading, Sex, Traffic
from tests.care_reports import (
    UUID,
    custom_element,
    custom_result,
    data_set,
    file_with,
    header,
    nil,
    outside,
    report,
)
from tests.mapping.conftest import over_base, shipped_mapping, shipped_tables

STANDARDS = Path(__file__).parents[3] / "shared" / "standards"
SAMPLES = STANDARDS / "nemsis" / "samples"
PLACE = "/EMSDataSet/Header[1]/PatientCareReport[1]"
BAND, OTHER_BAND, EXERCISE = "YF7K4M2QG", "YF0A1C2DA", "YT7K4M2QC"

OWN = """
mapping: own
kind: care-reports
about: A mapping for tests.
base: nemsis-3.5
"""

needs_standard = pytest.mark.skipif(not SAMPLES.exists(), reason="the standard's files are not beside the project")


@cache
def reader(mapping: str = "nemsis-3.5") -> CareReportReader:
    tables = shipped_tables()
    own = over_base(read_mapping(mapping, "test.yaml", tables=tables)) if "\n" in mapping else shipped_mapping(mapping)
    return compile_care_reports(own, tables)


@pytest.fixture(scope="module")
def agency(scheme: Scheme) -> Source:
    return Source(
        feed="harrow-point-reports",
        organisation="harrow-point",
        zone=ZoneInfo("America/Chicago"),
        schemes=(scheme,),
        authorities=(Authority(system="urn:oid:2.16.840.1.113883.19.77.10.1", type="PI"),),
        facilities={"AH01": "anvil-head"},
        placeholders=frozenset({"DOE"}),
        agency_numbers=frozenset({"HP01"}),
    )


Read = Callable[..., CareReport]


@pytest.fixture(scope="module")
def read(agency: Source) -> Read:
    """Read the one report of a file, or of some sections."""

    def read_one(*given: str | bytes, mapping: str = "nemsis-3.5", source: Source = agency) -> CareReport:
        data = given[0] if isinstance(given[0], bytes) else file_with(*map(str, given))
        (document,) = reports(data)
        return reader(mapping).read(document, source)

    return read_one


def codes(record: CareReport) -> list[str]:
    return [finding.code for finding in record.findings]


# ── the standard's own files ───────────────────────────────────────────────────────────────────────


@needs_standard
@pytest.mark.parametrize("name", ["nemsis-3.5", "nemsis-3.4", "band-as-disaster-tag", "band-as-patient-id"])
def test_every_place_of_a_mapping_exists_in_the_standard(name: str) -> None:
    """Every path is one of `nemsis-elements.csv`, taken from the XSD; 3.4.0 had one element that is gone since."""
    lines = (STANDARDS / "nemsis-elements.csv").read_text(encoding="utf-8").splitlines()
    known = {part for line in lines for part in line.split(",") if part.startswith("/EMSDataSet")}
    mapping = shipped_mapping(name)
    below = "/EMSDataSet/Header/PatientCareReport/"
    paths = [at for place in mapping.value_places().values() for at in place.places]
    paths += [band.at for band in mapping.band if band.at] + list(mapping.conditions.values())
    for group in mapping.groups.values():
        paths += [f"{group.each}/{at}" for place in group.values.values() for at in place.places]
    gone = {f"{below}eDisposition/eDisposition.12"} if name == "nemsis-3.4" else set()
    full = {(at if at.startswith("/") else below + at).partition("/@")[0] for at in paths}
    assert full - known == gone


def _sample(name: str) -> bytes:
    return next(SAMPLES.glob(f"*/{name}")).read_bytes()


def _xpath(root: etree._Element, path: str) -> list[etree._Element]:
    """Look a place up on the whole file, by lxml alone."""
    place, _, attribute = path.partition("/@")
    steps = "/".join(f"n:{step}" for step in place.split("/")[1:])
    found = root.xpath(f"/{steps}", namespaces={"n": "http://www.nemsis.org"})
    return [each for each in found if not attribute or each.get(attribute) is not None]


@needs_standard
@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*/*.xml")) if SAMPLES.exists() else [], ids=lambda p: p.name)
def test_every_origin_of_the_samples_leads_to_its_element(path: Path, read: Read) -> None:
    """The standard's samples, all but the must-fail ones' faults included: each origin is one element, on its line."""
    data = path.read_bytes()
    record = read(data, mapping="band-as-disaster-tag")
    root = etree.fromstring(data)
    assert record.origins or "Nils" in path.name
    for name, origin in record.origins.items():
        (element,) = _xpath(root, origin.path)
        assert element.sourceline == origin.line, name
        assert origin.rule.startswith("band-as-disaster-tag: ")


def _text(root: etree._Element, name: str, number: int = 0) -> str | None:
    return root.findall(f".//{{http://www.nemsis.org}}{name}")[number].text


@needs_standard
@pytest.mark.parametrize("name", ["2025-EMS-3-MVC_v351.xml", "2025-EMS-1-Overdose_v351.xml"])
def test_the_pretest_reports_say_what_plain_lxml_says(name: str, read: Read) -> None:
    """NEMSIS 2025 compliance pre-test, cases "MVC" and "Overdose"."""
    data = (SAMPLES / "pretest-full" / name).read_bytes()
    record, root = read(data), etree.fromstring(data)
    single = {
        record.number: "eRecord.01",
        record.agency_number: "dAgency.02",
        record.agency_state: "dAgency.04",
        record.agency_name: "eResponse.02",
        record.incident_number: "eResponse.03",
        record.response_number: "eResponse.04",
        record.unit: "eResponse.14",
        record.service: "eResponse.05",
        record.patient.family: "ePatient.02",
        record.patient.given: "ePatient.03",
        record.patient.birth_date: "ePatient.17",
        record.transport: "eDisposition.30",
        record.destination_name: "eDisposition.01",
        record.destination_code: "eDisposition.02",
        record.initial_acuity: "eSituation.13",
        record.final_acuity: "eDisposition.19",
        record.narrative: "eNarrative.01",
    }
    for value, element in single.items():
        assert value == _text(root, element), element
    assert record.times.arrived == datetime.fromisoformat(_text(root, "eTimes.11") or "")
    assert record.times.notified == datetime.fromisoformat(_text(root, "eTimes.03") or "")
    assert record.patient_contact
    pressures = [element.text for element in root.iter("{http://www.nemsis.org}eVitals.06") if element.text]
    assert [r.value for s in record.vitals for r in s.readings if r.name == "systolic" and r.value] == pressures


@needs_standard
def test_the_mass_casualty_report_of_the_pretest(read: Read) -> None:
    """NEMSIS 2025 compliance pre-test, case "MVC": the facts of its test-case sheet, as the file has them."""
    record = read(_sample("2025-EMS-3-MVC_v351.xml"))
    assert record.uuid == record.key == "df732588-c7e8-4aee-a723-5299c7e4812b"
    assert record.version == "3.5.1"
    assert record.mass_casualty is True
    assert record.quoted == (Identifier(value="37-50-66", type="4303005"),)
    first = {reading.name: reading for reading in record.vitals[0].readings}
    assert first["etco2"] == Reading(name="etco2", value="5.3", unit="%")
    assert first["glucose"] == Reading(name="glucose", missing="7701003")
    assert record.vitals[0].before_unit is False


@needs_standard
def test_a_group_full_of_nils_is_nothing_done(read: Read) -> None:
    """NEMSIS generated sample "Nils": every nillable element is nil; groups that must occur once still stand there."""
    record = read(_sample("EMSDataset-Nils-1.xml"))
    assert record.medications == record.procedures == record.conditions == ()
    assert all(reading.value is None for signs in record.vitals for reading in signs.readings)
    assert record.patient.family is None
    assert "report-nil-without-reason" not in codes(record)


@needs_standard
def test_pertinent_negatives_are_no_facts(read: Read) -> None:
    """NEMSIS generated sample "PNs", rules nemSch_e005 to e008: what carries a PN did not happen."""
    root = etree.fromstring(_sample("EMSDataset-PNs-1.xml"))
    record = read(_sample("EMSDataset-PNs-1.xml"))
    for element, negative in (
        ("eMedications.03", record.medications[0].negative),
        ("eProcedures.03", record.procedures[0].negative),
    ):
        stated = root.find(f".//{{http://www.nemsis.org}}{element}")
        assert stated is not None
        assert negative == stated.get("PN") is not None


# ── value, nil, NV and PN ──────────────────────────────────────────────────────────────────────────


def test_a_drug_that_was_not_given_says_so(read: Read) -> None:
    """NEMSIS rule nemSch_e006: eMedications.03 with a PN needs a value, and the drug was not given."""
    record = read(
        "<eMedications><eMedications.MedicationGroup>"
        '<eMedications.03 CodeType="9924003" PN="8801019">1191</eMedications.03>'
        "</eMedications.MedicationGroup><eMedications.MedicationGroup>"
        "<eMedications.01>2026-03-14T10:00:00-05:00</eMedications.01>"
        "<eMedications.02>9923003</eMedications.02>"
        '<eMedications.03 CodeType="9924005">116762002</eMedications.03>'
        "<eMedications.08>3708001</eMedications.08><eMedications.08>3708003</eMedications.08>"
        "</eMedications.MedicationGroup></eMedications>"
    )
    refused, given_before = record.medications
    assert (refused.code, refused.code_system, refused.negative) == ("1191", "RxNorm", "8801019")
    assert (given_before.code_system, given_before.negative) == ("SNOMED CT", None)
    assert given_before.before_unit is True
    assert given_before.complications == ("3708001", "3708003")
    assert "report-negative-with-value" not in codes(record)
    group = f"{PLACE}/eMedications/eMedications.MedicationGroup"
    assert record.origins["medications[0].code"].path == f"{group}[1]/eMedications.03"
    assert record.origins["medications[1].code_system"].path == f"{group}[2]/eMedications.03/@CodeType"
    assert record.origins["medications[1].complications[1]"].path == f"{group}[2]/eMedications.08[2]"


def test_a_symptom_that_was_not_there_says_so(read: Read) -> None:
    """NEMSIS rule nemSch_e005 for eSituation.10; the complaint is text, all else ICD-10-CM."""
    record = read(
        "<eSituation><eSituation.PatientComplaintGroup><eSituation.04>fell off the pier</eSituation.04>"
        "</eSituation.PatientComplaintGroup><eSituation.09>R07.4</eSituation.09>"
        '<eSituation.10 PN="8801031">R11</eSituation.10><eSituation.10>R42</eSituation.10>'
        f"<eSituation.11>S20.2</eSituation.11>{nil('eSituation.12', NV='7701001')}</eSituation>"
    )
    assert record.conditions == (
        Condition(kind="complaint", text="fell off the pier"),
        Condition(kind="symptom", code="R07.4"),
        Condition(kind="other-symptom", code="R11", negative="8801031"),
        Condition(kind="other-symptom", code="R42"),
        Condition(kind="primary-impression", code="S20.2"),
    )
    assert record.origins["conditions[3]"].path == f"{PLACE}/eSituation/eSituation.10[2]"
    assert record.origins["conditions[0]"].path.endswith("/eSituation.PatientComplaintGroup[1]/eSituation.04")


def test_a_text_beside_a_denial_is_no_fact(read: Read) -> None:
    """NEMSIS rules nemSch_e002 and e008: neither may be, and the XSD lets both through."""
    record = read(
        '<ePatient><ePatient.PatientNameGroup><ePatient.02 PN="8801019">Marrowby</ePatient.02>'
        '<ePatient.03 NV="7701003">Ada</ePatient.03></ePatient.PatientNameGroup></ePatient>'
    )
    assert record.patient.family is None
    assert record.patient.given is None
    assert codes(record)[:2] == ["report-negative-with-value"] * 2
    assert "patient.family" not in record.origins


def test_an_empty_element_should_say_why(read: Read) -> None:
    """NEMSIS rule nemSch_e001."""
    record = read("<eTimes>" + nil("eTimes.07") + nil("eTimes.09", NV="7701001") + "</eTimes>")
    (found,) = [finding for finding in record.findings if finding.code == "report-nil-without-reason"]
    assert found.path == f"{PLACE}/eTimes/eTimes.07"


@pytest.mark.parametrize("size", [1, 2 * PIECE], ids=["short", "long"])
def test_an_empty_element_of_the_header_should_say_why_too(read: Read, size: int) -> None:
    """NEMSIS rule nemSch_e001; a long file has forgotten its Header by then."""
    narrative = f"<eNarrative><eNarrative.01>{'x' * size}</eNarrative.01></eNarrative>"
    whole = data_set(header(report(narrative)))
    found = read(whole.replace(b"<dAgency.04>99</dAgency.04>", b"<dAgency.04/>")).findings
    place = "/EMSDataSet/Header[1]/DemographicGroup/dAgency.04"
    assert [each.path for each in found if each.code == "report-nil-without-reason"] == [place]


def test_a_vital_sign_keeps_why_there_is_none(read: Read) -> None:
    """NEMSIS: an NV says why nothing was recorded, a PN that it was refused; a set that says neither is no set."""
    group = "<eVitals.VitalGroup>{}</eVitals.VitalGroup>"
    time = "<eVitals.01>2026-03-14T10:00:00-05:00</eVitals.01>"
    record = read(
        "<eVitals>"
        + group.format(time + nil("eVitals.12", NV="7701003"))
        + group.format(time + nil("eVitals.12", PN="8801019") + nil("eVitals.18", NV="7701001"))
        + group.format(time + '<eVitals.16 ETCO2Type="3340005">5.3</eVitals.16><eVitals.18>High</eVitals.18>')
        + "</eVitals>"
    )
    refused, measured = record.vitals
    assert refused.readings == (
        Reading(name="spo2", negative="8801019"),
        Reading(name="glucose", missing="7701001"),
    )
    assert measured.readings == (Reading(name="etco2", value="5.3", unit="kPa"), Reading(name="glucose", value="High"))
    assert record.origins["vitals[1].glucose"].path == f"{PLACE}/eVitals/eVitals.VitalGroup[3]/eVitals.18"
    assert not any(name.startswith("vitals[2]") for name in record.origins)


# ── who, when, where ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("elements", "sex"),
    [
        ("<ePatient.25>9919003</ePatient.25>", Sex.MALE),
        ("<ePatient.13>9906001</ePatient.13>", Sex.FEMALE),
        ("<ePatient.13>9906001</ePatient.13><ePatient.25>9919003</ePatient.25>", Sex.MALE),
        ("<ePatient.13>9906009</ePatient.13>" + nil("ePatient.25", NV="7701003"), Sex.OTHER),
        ("<ePatient.25>9919005</ePatient.25>", Sex.UNKNOWN),
        ("<ePatient.25>77</ePatient.25>", None),
    ],
)
def test_sex_comes_before_the_deprecated_gender(elements: str, sex: Sex | None, read: Read) -> None:
    """nemsis-codes.csv, ePatient.25 and ePatient.13 (deprecated in 3.5.1)."""
    record = read(f"<ePatient>{elements}</ePatient>")
    assert record.patient.sex is sex
    assert ("code-unknown" in codes(record)) == (sex is None)


@pytest.mark.parametrize(
    ("attribute", "unit", "age"),
    [
        ("", "2516009", Age(value=40, unit="a")),
        (' PN="8801029"', "2516009", Age(value=40, unit="a", estimated=True)),
        (' PN="8801019"', "2516009", None),
        ("", "2516007", Age(value=40, unit="mo")),
        ("", "99", None),
    ],
)
def test_an_age_may_be_an_estimate(attribute: str, unit: str, age: Age | None, read: Read) -> None:
    """NEMSIS: PN 8801029 "approximate" beside ePatient.15; nemsis-codes.csv, ePatient.16."""
    record = read(
        f"<ePatient><ePatient.AgeGroup><ePatient.15{attribute}>40</ePatient.15>"
        f"<ePatient.16>{unit}</ePatient.16></ePatient.AgeGroup></ePatient>"
    )
    assert record.patient.age == age


@pytest.mark.parametrize(
    ("written", "date"),
    [
        ("1961-06-15", "1961-06-15"),
        ("1956-01-19Z", "1956-01-19"),
        ("1956-01-19-05:00", "1956-01-19"),
        ("1961-02-30", None),
        ("1961-06", None),
        ("1961-W24-4", None),
        ("1961-06-15T00:00:00-05:00", None),
    ],
)
def test_a_birth_date_drops_its_zone_and_moves_no_day(written: str, date: str | None, read: Read) -> None:
    """XML Schema part 2, 3.2.9 xs:date."""
    record = read(f"<ePatient><ePatient.17>{written}</ePatient.17></ePatient>")
    assert record.patient.birth_date == date
    assert ("value-unreadable" in codes(record)) == (date is None)


@pytest.mark.parametrize(
    ("written", "instant"),
    [
        ("2026-03-14T10:00:00-05:00", datetime(2026, 3, 14, 15, tzinfo=UTC)),
        ("2026-03-14T10:00:00.5000000001+14:00", datetime(2026, 3, 13, 20, 0, 0, 500000, tzinfo=UTC)),
        ("2026-03-14T24:00:00-05:00", datetime(2026, 3, 15, 5, tzinfo=UTC)),
        ("2026-12-31T24:00:00.000+00:00", datetime(2027, 1, 1, tzinfo=UTC)),
        ("2026-03-14T10:00:00-00:00", datetime(2026, 3, 14, 10, tzinfo=UTC)),
        ("2026-03-14T10:00:00Z", datetime(2026, 3, 14, 10, tzinfo=UTC)),
        ("2026-03-14T10:00:00", datetime(2026, 3, 14, 15, tzinfo=UTC)),
        ("2026-03-14T24:00:00.5-05:00", None),
        ("2026-03-14T24:01:00-05:00", None),
        ("2026-03-14T10:00:60-05:00", None),
        ("0001-01-01T00:00:00+14:00", None),
        ("20260314T100000-0500", None),
        ("2026-W11-6T10:00:00-05:00", None),
        ("noon", None),
    ],
)
def test_times_are_instants(written: str, instant: datetime | None, read: Read) -> None:
    """XML Schema part 2, 3.2.7 xs:dateTime, as NEMSIS restricts it; Z and a missing offset are met in practice."""
    record = read(f"<eTimes><eTimes.11>{written}</eTimes.11></eTimes>")
    assert record.times.arrived == instant
    assert ("value-unreadable" in codes(record)) == (instant is None)
    assert ("time-without-zone" in codes(record)) == (written == "2026-03-14T10:00:00")


def test_a_local_time_that_the_clock_skips_is_left_out(read: Read) -> None:
    """IANA time zone database, America/Chicago: forward on 2026-03-08 at 02:00, back on 2026-11-01 at 02:00."""
    record = read(
        "<eTimes><eTimes.07>2026-03-08T02:30:00</eTimes.07><eTimes.11>2026-11-01T01:30:00</eTimes.11></eTimes>"
    )
    assert (record.times.at_patient, record.times.arrived) == (None, None)
    assert codes(record).count("time-impossible") == 2


offsets = st.integers(-840, 840).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@given(st.integers(0, 3_155_000_000), st.integers(0, 999_999), offsets)
def test_every_time_the_schema_allows_is_read(seconds: int, fraction: int, zone: timezone) -> None:
    """NEMSIS 3.5.1 XSD, DateTimeType: 1950 to 2050, offsets to 14 hours, any fraction."""
    at = datetime(1950, 1, 2, tzinfo=UTC) + timedelta(seconds=seconds, microseconds=fraction)
    written = at.astimezone(zone).isoformat()
    (document,) = reports(file_with(f"<eTimes><eTimes.11>{written}</eTimes.11></eTimes>"))
    record = reader().read(document, Source(feed="f", organisation="o", zone=UTC, schemes=()))
    assert record.times.arrived is not None
    assert (record.times.arrived, record.times.arrived.isoformat()) == (at, written)


@given(st.text(st.characters(blacklist_categories=["Cc", "Cs", "Co", "Cn"]), max_size=40))
def test_no_text_in_place_of_a_time_breaks_us(text: str) -> None:
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    (document,) = reports(file_with(f"<eTimes><eTimes.11>{escaped}</eTimes.11></eTimes>"))
    record = reader().read(document, Source(feed="f", organisation="o", zone=UTC, schemes=()))
    assert record.times.arrived is None or record.times.arrived.tzinfo is not None


def test_the_person_and_the_home(read: Read) -> None:
    record = read(
        "<ePatient><ePatient.01>4711</ePatient.01><ePatient.PatientNameGroup><ePatient.02> Marrowby </ePatient.02>"
        "<ePatient.03>Ada</ePatient.03><ePatient.04>Q</ePatient.04><ePatient.23>Jr</ePatient.23>"
        '</ePatient.PatientNameGroup><ePatient.05 StreetAddress2="rear">1 Gull Landing</ePatient.05>'
        "<ePatient.09>99901</ePatient.09><ePatient.18>555-555-0142</ePatient.18>"
        "<ePatient.18>555-555-0143</ePatient.18></ePatient>"
    )
    person = record.patient
    assert (person.family, person.given, person.middle, person.suffix) == ("Marrowby", "Ada", "Q", "Jr")
    assert person.phones == ("555-555-0142", "555-555-0143")
    assert person.address is not None
    assert (person.address.lines, person.address.postal_code) == (("1 Gull Landing", "rear"), "99901")
    assert record.patient_identifiers == (
        Identifier(value="4711", type="PI", system="urn:oid:2.16.840.1.113883.19.77.10.1", facility="HP01"),
    )
    assert record.origins["patient.phones[1]"].path == f"{PLACE}/ePatient/ePatient.18[2]"
    assert record.origins["patient.address.lines[1]"].path == f"{PLACE}/ePatient/ePatient.05/@StreetAddress2"
    assert record.origins["agency_number"].path == "/EMSDataSet/Header[1]/DemographicGroup/dAgency.02"


def test_a_placeholder_is_nobody(read: Read) -> None:
    name = "<ePatient><ePatient.PatientNameGroup><ePatient.02>{}</ePatient.02></ePatient.PatientNameGroup></ePatient>"
    assert read(name.format("Doe")).patient.unidentified
    assert not read(name.format("Doerner")).patient.unidentified


def _destination(code: str = "", transport: str = "4230001", contact: str = "4227001") -> str:
    place = f"<eDisposition.02>{code}</eDisposition.02>" if code else ""
    return (
        f"<eDisposition><eDisposition.DestinationGroup>{place}</eDisposition.DestinationGroup><eDisposition.IncidentDispositionGroup><eDisposition.27>{contact}</eDisposition.27>"
        f"<eDisposition.30>{transport}</eDisposition.30></eDisposition.IncidentDispositionGroup></eDisposition>"
    )


@pytest.mark.parametrize(
    ("section", "destination", "code"),
    [
        (_destination("AH01"), "anvil-head", None),
        (_destination("XX99"), None, "report-destination-unknown"),
        (_destination(""), None, "report-no-destination"),
        (_destination("", transport="4230005"), None, None),
        (_destination("", transport="4230009"), None, None),
    ],
)
def test_the_destination_is_a_facility_of_the_region(
    section: str, destination: str | None, code: str | None, read: Read
) -> None:
    """nemsis-codes.csv, eDisposition.30: only 4230001 and 4230003 are transports by this unit."""
    record = read(section)
    assert record.destination == destination
    assert [each for each in codes(record) if "destination" in each] == ([code] if code else [])


@pytest.mark.parametrize("code", ["4227003", "4227005", "4227007", "4227009", "4227011"])
def test_a_run_without_a_patient_has_nobody_to_link(code: str, read: Read) -> None:
    """nemsis-codes.csv, eDisposition.27: all but 4227001 mean that no contact was made."""
    record = read(_destination(contact=code))
    assert not record.patient_contact
    assert codes(record) == ["report-no-patient"]


# ── which report ───────────────────────────────────────────────────────────────────────────────────


def _identified(uuid: str | None, number: str = "HP|42") -> bytes:
    return data_set(header(report(uuid=uuid, number=number)))


@pytest.mark.parametrize(
    ("uuid", "key", "code"),
    [
        (UUID.upper(), UUID, None),
        ("01890a5d-ac96-774b-bcce-b302099a8057", "01890a5d-ac96-774b-bcce-b302099a8057", "report-uuid-form"),
        ("00000000-0000-0000-0000-000000000000", "YF-HP01|HP01|99|HP%7C42", "report-uuid-form"),
        ("42", "YF-HP01|HP01|99|HP%7C42", "report-uuid-form"),
        (None, "YF-HP01|HP01|99|HP%7C42", "report-no-uuid"),
    ],
)
def test_the_key_is_the_uuid_or_the_composite(uuid: str | None, key: str, code: str | None, read: Read) -> None:
    """NEMSIS "UUIDs": case does not matter. The pattern of the XSD allows versions 1 to 5; before 3.5 there is none."""
    record = read(_identified(uuid))
    assert record.key == key
    assert [each for each in codes(record) if "uuid" in each] == ([code] if code else [])


def test_a_report_that_nothing_identifies_is_refused(read: Read) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        read(_identified(None, number=""))
    assert (caught.value.code, caught.value.path) == ("report-no-number", PLACE)


def test_an_agency_that_is_not_the_feeds_is_told(read: Read) -> None:
    (found,) = [each for each in read(data_set(header(report(), agency="XX"))).findings if "agency" in each.code]
    assert found.path == "/EMSDataSet/Header[1]/DemographicGroup/dAgency.02"


def test_a_national_export_is_partial_and_lacks_no_band(read: Read) -> None:
    """NEMSIS: national elements have neither identifiers nor custom content, so a missing band is no news."""
    record = read(data_set(header(report()), location="http://www.nemsis.org NEMSIS_NAT_XSDs/EMSDataSet_v3.xsd"))
    assert record.partial
    assert codes(record) == ["report-national-only"]


def test_3_4_has_its_outcome_of_the_run_in_one_element(read: Read) -> None:
    """NEMSIS 3.4.0: eDisposition.12; its codes are from memory."""
    for code, contact, transport in (("4212033", True, "4230001"), ("4212009", False, "4230013")):
        record = read(f"<eDisposition><eDisposition.12>{code}</eDisposition.12></eDisposition>", mapping="nemsis-3.4")
        assert (record.patient_contact, record.transport) == (contact, transport)


# ── the band ───────────────────────────────────────────────────────────────────────────────────────


def test_a_disaster_tag_is_a_band(read: Read) -> None:
    """nemsis-codes.csv, eOutcome.03: 4303001 disaster tag, 4303005 receiving hospital."""
    section = f"<eOutcome>{outside('AH-9', '4303005')}{outside(f' {BAND} ', '4303001')}</eOutcome>"
    record = read(section, mapping="band-as-disaster-tag")
    (seen,) = record.sightings
    assert (seen.canonical, seen.raw, seen.how) == (BAND, f" {BAND} ", How.IDENTIFIER)
    assert seen.path == f"{PLACE}/eOutcome/eOutcome.ExternalDataGroup[2]/eOutcome.04"
    assert seen.line is not None
    assert BAND in file_with(section).decode().splitlines()[seen.line - 1]
    assert [quoted.value for quoted in record.quoted] == ["AH-9"]
    assert record.origins["quoted[0].value"].path.endswith("/eOutcome.ExternalDataGroup[1]/eOutcome.04")
    assert codes(record) == []


def test_an_identifier_of_another_type_is_no_band_here(read: Read) -> None:
    record = read(f"<eOutcome>{outside(BAND, '4303017')}</eOutcome>", mapping="band-as-disaster-tag")
    assert record.sightings == ()
    assert codes(record) == ["band-missing"]
    record = read(f"<eOutcome>{outside(BAND, '4303017')}</eOutcome>", mapping="band-as-patient-id")
    assert [seen.canonical for seen in record.sightings] == [BAND]
    assert record.quoted == ()


@pytest.mark.parametrize(("written", "code"), [("YF7K4M2QH", "band-check"), ("wristband 7", "band-pattern")])
def test_what_is_no_band_in_a_place_for_bands_is_a_fault(written: str, code: str, read: Read) -> None:
    record = read(f"<eOutcome>{outside(written, '4303001')}</eOutcome>", mapping="band-as-disaster-tag")
    (seen,) = record.sightings
    assert (seen.canonical, seen.fault) == (None, code)
    assert codes(record) == [code]
    assert all(written not in f"{finding.message}{finding.remedy}" for finding in record.findings)


def test_a_custom_element_is_known_by_id_or_title(read: Read) -> None:
    """NEMSIS custom elements guide: eCustomResults.02 refers to the CustomElementID, whose title the Header gives."""
    results = f"<eCustomResults>{custom_result('cePatient.Band', [BAND])}</eCustomResults>"
    config = f"<eCustomConfiguration>{custom_element('cePatient.Band', 'Patient Band ID')}</eCustomConfiguration>"
    data = data_set(header(report(results), custom=config))
    by_title = OWN + "band:\n  - {custom: Patient Band ID, how: custom}\n"
    for mapping in ("band-in-custom-element", by_title):
        record = read(data, mapping=mapping)
        (seen,) = record.sightings
        assert (seen.canonical, seen.how) == (BAND, How.CUSTOM)
        assert seen.path == f"{PLACE}/eCustomResults/eCustomResults.ResultsGroup[1]/eCustomResults.01"
        assert codes(record) == []


def test_a_custom_element_without_definition_is_told(read: Read) -> None:
    """NEMSIS custom elements guide: the configuration may be missing when both sides agreed on it beforehand."""
    results = f"<eCustomResults>{custom_result('cePatient.Band', [BAND, OTHER_BAND])}</eCustomResults>"
    record = read(results, mapping="band-in-custom-element")
    assert [seen.canonical for seen in record.sightings] == [BAND, OTHER_BAND]
    assert codes(record) == ["report-custom-undefined"] * 2 + ["band-several"]


def test_prose_only_finds(read: Read) -> None:
    narrative = (
        f"<eNarrative><eNarrative.01>Strap YF7 K4M 2QG on the left, then {OTHER_BAND}.</eNarrative.01></eNarrative>"
    )
    record = read(narrative, mapping="band-in-narrative")
    assert [(seen.canonical, seen.how) for seen in record.sightings] == [
        (BAND, How.FREE_TEXT),
        (OTHER_BAND, How.FREE_TEXT),
    ]
    assert codes(record)[0] == "band-free-text-only"
    assert record.narrative is not None


def test_all_sightings_are_kept_in_order_of_trust(read: Read) -> None:
    record = read(
        f"<eNarrative><eNarrative.01>{BAND}</eNarrative.01></eNarrative>",
        f"<eOutcome>{outside(BAND, '4303001')}</eOutcome>",
        mapping="band-as-disaster-tag",
    )
    assert [seen.how for seen in record.sightings] == [How.IDENTIFIER, How.FREE_TEXT]
    assert codes(record) == []


def test_exercises_are_kept_apart(read: Read, agency: Source) -> None:
    tags = f"<eOutcome>{outside(EXERCISE, '4303001')}{{}}</eOutcome>"
    record = read(tags.format(""), mapping="band-as-disaster-tag")
    assert (record.traffic, codes(record)) == (Traffic.TEST, ["band-training"])
    record = read(tags.format(outside(BAND, "4303001")), mapping="band-as-disaster-tag")
    assert record.traffic is Traffic.LIVE
    assert "band-mixed-signals" in codes(record)
    assert read("<eNarrative/>", source=replace(agency, trial=True)).traffic is Traffic.TEST


# ── mappings ───────────────────────────────────────────────────────────────────────────────────────


def test_a_condition_may_look_elsewhere_in_the_report(read: Read) -> None:
    """The triage colour counts only in an incident: eScene.07, 9923003 yes (nemsis-codes.csv)."""
    mapping = OWN + 'values:\n  triage: {at: eScene/eScene.08, where: {eScene/eScene.07: "9923003"}}\n'
    scene = "<eScene><eScene.07>{}</eScene.07><eScene.08>2708003</eScene.08></eScene>"
    assert read(scene.format("9923003"), mapping=mapping).triage == "2708003"
    assert read(scene.format("9923001"), mapping=mapping).triage is None
    absent = OWN + "values:\n  triage: {at: eScene/eScene.08, where: {eScene.07: {present: false}}}\n"
    assert read(scene.format("9923003"), mapping=absent).triage is None
    assert read("<eScene><eScene.08>2708003</eScene.08></eScene>", mapping=absent).triage == "2708003"


def test_several_places_count_in_order_of_trust(read: Read) -> None:
    mapping = OWN + "values:\n  unit: [eResponse/eResponse.13, eResponse/eResponse.14]\n"
    both = "<eResponse><eResponse.13>truck 9</eResponse.13><eResponse.14>Medic 3</eResponse.14></eResponse>"
    assert read(both, mapping=mapping).unit == "truck 9"
    second = f"<eResponse>{nil('eResponse.13', NV='7701003')}<eResponse.14>Medic 3</eResponse.14></eResponse>"
    record = read(second, mapping=mapping)
    assert (record.unit, record.origins["unit"].path) == ("Medic 3", f"{PLACE}/eResponse/eResponse.14")
    assert record.origins["unit"].rule == "own: unit"


def test_an_element_in_another_container_is_taken_where_it_is(read: Read) -> None:
    """NEMSIS 3.4.0 and early 3.5.0 builds hold some elements outside the groups of 3.5.1."""
    record = read("<ePatient><ePatient.02>Marrowby</ePatient.02></ePatient>")
    assert record.patient.family == "Marrowby"
    assert record.origins["patient.family"].path == f"{PLACE}/ePatient/ePatient.02"


def test_a_path_has_every_container_on_the_way(read: Read) -> None:
    """More than the XSD allows, a group in another and a section twice: XPath 1.0 finds that element only."""
    name = "<ePatient.PatientNameGroup><ePatient.02>Marrowby</ePatient.02></ePatient.PatientNameGroup>"
    signs = "<eVitals><eVitals.VitalGroup><eVitals.12>97</eVitals.12></eVitals.VitalGroup></eVitals>"
    origins = read(f"<ePatient><ePatient.AgeGroup>{name}</ePatient.AgeGroup></ePatient>{signs}{signs}").origins
    groups = "ePatient.AgeGroup/ePatient.PatientNameGroup"
    assert origins["patient.family"].path == f"{PLACE}/ePatient/{groups}/ePatient.02"
    assert origins["vitals[0].spo2"].path == f"{PLACE}/eVitals[1]/eVitals.VitalGroup[1]/eVitals.12"
    assert origins["vitals[1].spo2"].path == f"{PLACE}/eVitals[2]/eVitals.VitalGroup[1]/eVitals.12"


def test_a_second_namesake_makes_the_path_say_which(read: Read) -> None:
    """More than the XSD allows: the first is taken, and the path says that there are two."""
    record = read("<eTimes><eTimes.11>2026-03-14T10:00:00-05:00</eTimes.11><eTimes.11>x</eTimes.11></eTimes>")
    assert record.times.arrived == datetime(2026, 3, 14, 15, tzinfo=UTC)
    assert record.origins["times.arrived"].path == f"{PLACE}/eTimes/eTimes.11[1]"


def test_a_place_outside_the_reports_is_refused() -> None:
    with pytest.raises(ConfigurationFault):
        reader(OWN + "values:\n  unit: /EMSDataSet/Header/eCustomConfiguration/eCustomConfiguration.01\n")


def test_hostile_nesting_and_repetition_stay_bounded(read: Read) -> None:
    """Elements at impossible depths and thousands of namesakes: read in time that grows with the file."""
    deep = "<ePatient>" + "<a>" * 1500 + "<ePatient.02>Marrowby</ePatient.02>" + "</a>" * 1500 + "</ePatient>"
    assert read(deep).patient.family == "Marrowby"
    many = "<eSituation>" + "<eSituation.10>R11</eSituation.10>" * 20_000 + "</eSituation>"
    assert len(read(many).conditions) == 20_000
