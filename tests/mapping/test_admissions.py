"""Admission messages through the shipped mappings: values, bands, origins, findings, traffic."""

import dataclasses
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import hl7
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_2

from gateway.adapters import er7
from gateway.errors import SenderFault
from gateway.mapping.admissions import AdmissionReader, compile_admissions
from gateway.mapping.source import Source
from gateway.records import Address, Admission, Diagnosis, How, Identifier, Location, Origin, Person, Sex, Traffic
from tests.mapping.conftest import MAPPINGS, shipped_mapping, shipped_tables

CORPUS = Path(__file__).parents[3] / "shared/corpus/hl7"

#: HL7 v2 section 3.5.1 and HL7's page of sample messages: the standard's own ADT^A01, version 2.8.
STANDARD_A01 = (
    "MSH|^~\\&|ADT1|GOOD HEALTH HOSPITAL|GHH LAB, INC.|GOOD HEALTH HOSPITAL|198808181126|SECURITY|ADT^A01^ADT_A01"
    "|MSG00001|P|2.8||\r"
    "EVN|A01|200708181123||\r"
    "PID|1||PATID1234^5^M11^ADT1^MR^GOOD HEALTH HOSPITAL~123456789^^^USSSA^SS||EVERYMAN^ADAM^A^III||19610615|M||C"
    "|2222 HOME STREET^^GREENSBORO^NC^27401-1020|GL|(555) 555-2004|(555)555-2004||S||PATID12345001^2^M10^ADT1^AN^A"
    "|444333333|987654^NC|\r"
    "NK1|1|NUCLEAR^NELDA^W|SPO^SPOUSE||||NK^NEXT OF KIN\r"
    "PV1|1|I|2000^2012^01||||004777^ATTEND^AARON^A|||SUR||||ADM|A0|\r"
)

HEADER = "MSH|^~\\&|REG|AHMC|GATE|YF|20260314101500||ADT^A04^ADT_A01|A1|P|2.5.1"
VISITS = "urn:oid:2.16.840.1.113883.19.77.3.3"  # the source's numbers by type VN that name no issuer
PATIENT = "PID|1||00471^^^AHMC^MR||QUILLFEATHER^ORSON||19610615|M"

Compile = Callable[[str], AdmissionReader]
Read = Callable[..., Admission]


@pytest.fixture(scope="session")
def read(admissions: Compile, source: Source) -> Read:
    """Read the segments of a message through a mapping."""
    return lambda mapping, *segments: admissions(mapping).read(message(*segments), source)


def segment(name: str, fields: dict[int, str]) -> str:
    """Write a segment by its field numbers."""
    return "|".join([name, *(fields.get(number, "") for number in range(1, max(fields) + 1))])


def message(*segments: str) -> er7.Message:
    return er7.read("".join(f"{segment}\r" for segment in segments).encode())


def codes(record: Admission) -> list[str]:
    return [finding.code for finding in record.findings]


def bands(record: Admission) -> list[tuple[str | None, How, str]]:
    return [(sighting.canonical, sighting.how, sighting.path) for sighting in record.sightings]


# ── the standard's own message ─────────────────────────────────────────────────────────────────────


def test_the_standard_s_a01_becomes_what_the_standard_says_it_means(admissions: Compile, source: Source) -> None:
    record = admissions("hl7v2").read(er7.read(STANDARD_A01.encode()), source)
    assert (record.trigger, record.control_id, record.version, record.processing_id) == ("A01", "MSG00001", "2.8", "P")
    assert record.identifiers == (
        Identifier(
            value="PATID1234",
            check_digit="5",
            check_scheme="M11",
            namespace="ADT1",
            type="MR",
            facility="GOOD HEALTH HOSPITAL",
        ),
        Identifier(value="123456789", namespace="USSSA", type="SS"),
    )
    assert record.account == Identifier(
        value="PATID12345001", check_digit="2", check_scheme="M10", namespace="ADT1", type="AN", facility="A"
    )
    assert record.patient == Person(
        family="EVERYMAN",
        given="ADAM",
        middle="A",
        suffix="III",
        birth_date="1961-06-15",
        sex=Sex.MALE,
        address=Address(lines=("2222 HOME STREET",), city="GREENSBORO", state="NC", postal_code="27401-1020"),
        phones=("(555) 555-2004", "(555)555-2004"),
    )
    assert record.patient_class == "I"
    assert record.location == Location(unit="2000", room="2012", bed="01")
    assert record.attending == Identifier(value="004777")
    assert record.attending_name == "AARON A ATTEND"
    assert (record.service, record.admit_source, record.visit_number) == ("SUR", "ADM", None)
    assert record.event_time == datetime(2007, 8, 18, 16, 23, tzinfo=UTC)  # 11:23 in the feed's zone
    assert record.message_time == datetime(1988, 8, 18, 16, 26, tzinfo=UTC)
    assert record.traffic is Traffic.LIVE


def test_every_value_tells_its_place_its_line_and_its_rule(admissions: Compile, source: Source) -> None:
    record = admissions("hl7v2").read(er7.read(STANDARD_A01.encode()), source)
    assert record.origins["patient.family"] == Origin("PID-5.1", 3, "hl7v2: patient.family")
    assert record.origins["identifiers[1]"] == Origin("PID-3[2]", 3, "hl7v2: identifiers")
    assert record.origins["patient.phones[1]"] == Origin("PID-14.1", 3, "hl7v2: patient.phones")
    assert record.origins["event_time"] == Origin("EVN-2", 2, "hl7v2: event_time")
    assert record.origins["location"] == Origin("PV1-3", 5, "hl7v2: location")


def test_a_rule_names_the_place_that_another_reader_finds_the_value_at(admissions: Compile, source: Source) -> None:
    """python-hl7 reads the positions that the origins name."""
    record = admissions("hl7v2").read(er7.read(STANDARD_A01.encode()), source)
    theirs = hl7.parse(STANDARD_A01)
    for name in ("family", "given", "middle", "suffix"):
        segment, numbers = record.origins[f"patient.{name}"].path.split("-")
        field, component = map(int, numbers.split("."))
        assert theirs.extract_field(segment, 1, field, 1, component) == getattr(record.patient, name)


# ── where the band is ──────────────────────────────────────────────────────────────────────────────

OURS = "YF7K4M2QG^^^YFBAND&2.16.840.1.113883.19.77.1&ISO^PNT"


@pytest.mark.parametrize(
    ("mapping", "segments", "expected", "said"),
    [
        ("band-in-pid3", [f"PID|1||471^^^AHMC^MR~{OURS}"], [("YF7K4M2QG", How.IDENTIFIER, "PID-3[2].1")], []),
        ("band-in-pid3", ["PID|1||YF7K4M2QG^^^YFBAND"], [("YF7K4M2QG", How.IDENTIFIER, "PID-3.1")], []),
        # the check character cut off into CX.2, as CX has it (2A.2.14)
        ("band-in-pid3", ["PID|1||YF7K4M2Q^G^^YFBAND"], [("YF7K4M2QG", How.IDENTIFIER, "PID-3.1")], []),
        # the right authority over something that is no band: a fault, because the place is meant for bands
        ("band-in-pid3", ["PID|1||4711^^^YFBAND"], [(None, How.IDENTIFIER, "PID-3.1")], ["band-pattern"]),
        ("band-in-pid3", ["PID|1||YF7K4M2QH^^^YFBAND"], [(None, How.IDENTIFIER, "PID-3.1")], ["band-check"]),
        # a band under another authority is not looked for
        ("band-in-pid3", ["PID|1||YF7K4M2QG^^^AHMC^MR"], [], ["band-missing"]),
        (
            "band-in-pid3-any-authority",
            ["PID|1||471^^^AHMC^MR~YF7K4M2QG^^^AHMC^MR"],
            [("YF7K4M2QG", How.IDENTIFIER, "PID-3[2].1")],
            [],
        ),
        (
            "band-in-pid3-any-authority",
            ["PID|1||471^^^AHMC^MR~YF7 K4M 2QG"],
            [("YF7K4M2QG", How.IDENTIFIER, "PID-3[2]")],
            [],
        ),
        # nearly a band among other identifiers is told, the others are not
        (
            "band-in-pid3-any-authority",
            ["PID|1||471^^^AHMC^MR~YF7K4M2QH^^^AHMC^MR"],
            [(None, How.IDENTIFIER, "PID-3[2].1")],
            ["band-check"],
        ),
        ("band-in-pid3-any-authority", ["PID|1||471^^^AHMC^MR"], [], ["band-missing"]),
        (
            "band-in-pv1-50",
            [PATIENT, segment("PV1", {2: "E", 50: "YF7K4M2QG"})],
            [("YF7K4M2QG", How.IDENTIFIER, "PV1-50")],
            ["hl7-no-visit-number"],
        ),
        (
            "band-in-pv1-50",
            [PATIENT, segment("PV1", {2: "E", 50: "V771"})],
            [(None, How.IDENTIFIER, "PV1-50")],
            ["hl7-no-visit-number", "band-pattern"],
        ),
        ("band-in-z-segment", [PATIENT, "ZBD|1|YF7K4M2QG"], [("YF7K4M2QG", How.CUSTOM, "ZBD-2")], []),
        (
            "band-in-obx",
            [PATIENT, "OBX|1|NM|8867-4||88", "OBX|2|ST|BAND^Wrist band^L||YF7K4M2QG"],
            [("YF7K4M2QG", How.CUSTOM, "OBX[2]-5")],
            [],
        ),
        (
            "band-in-note",
            [PATIENT, "NTE|1||Alert.", "NTE|2||Band YF7 K4M 2QG\\.br\\left wrist"],
            [("YF7K4M2QG", How.FREE_TEXT, "NTE[2]-3")],
            ["band-free-text-only"],
        ),
        ("band-in-note", [PATIENT, "NTE|1||Band YF7K4M2QH"], [], ["band-missing"]),
        # in a field of its own and in a note: both are kept, the field first
        (
            "band-in-z-segment",
            [PATIENT, "NTE|1||band YF7K4M2QG", "ZBD|1|YF7K4M2QG"],
            [("YF7K4M2QG", How.CUSTOM, "ZBD-2"), ("YF7K4M2QG", How.FREE_TEXT, "NTE-3")],
            [],
        ),
        # a field that fails does not hide the note, and the note does not excuse the field
        (
            "band-in-z-segment",
            [PATIENT, "NTE|1||band YF7K4M2QG", "ZBD|1|4711"],
            [(None, How.CUSTOM, "ZBD-2"), ("YF7K4M2QG", How.FREE_TEXT, "NTE-3")],
            ["band-pattern", "band-free-text-only"],
        ),
        ("band-in-z-segment", [PATIENT, 'ZBD|1|""'], [], ["band-missing"]),
    ],
)
def test_each_way_of_recording_the_band(
    mapping: str,
    segments: list[str],
    expected: list[tuple[str | None, How, str]],
    said: list[str],
    read: Read,
) -> None:
    """How facilities record the band is common practice, no source."""
    record = read(mapping, HEADER, *segments)
    assert bands(record) == expected
    assert [code for code in codes(record) if code != "time-without-zone"] == said


def test_the_band_stays_in_the_list_of_identifiers_as_it_was_sent(admissions: Compile, source: Source) -> None:
    record = admissions("band-in-pid3").read(message(HEADER, f"PID|1||471^^^AHMC^MR~{OURS}"), source)
    assert [(each.value, each.system) for each in record.identifiers] == [
        ("471", "urn:oid:2.16.840.1.113883.19.77.3.1"),
        ("YF7K4M2QG", "urn:oid:2.16.840.1.113883.19.77.1"),
    ]


def test_a_sighting_knows_what_stood_there_and_which_rule_looked(admissions: Compile, source: Source) -> None:
    record = admissions("band-in-z-segment").read(message(HEADER, PATIENT, "ZBD|1|yf7-k4m-2qg"), source)
    (sighting,) = record.sightings
    assert (sighting.raw, sighting.canonical, sighting.scheme) == ("yf7-k4m-2qg", "YF7K4M2QG", "yarrowfen")
    assert (sighting.rule, sighting.line) == ("band-in-z-segment: band at ZBD-2", 3)


def test_a_place_may_be_for_one_scheme_only(admissions: Compile, source: Source) -> None:
    reader = admissions(
        "mapping: x\nkind: admissions\nabout: x\nband:\n  - {at: ZBD-2, how: custom, scheme: another}\n"
    )
    record = reader.read(message(HEADER, PATIENT, "ZBD|1|YF7K4M2QG"), source)
    assert bands(record) == [(None, How.CUSTOM, "ZBD-2")]


# ── values ─────────────────────────────────────────────────────────────────────────────────────────


def test_the_delete_indicator_is_never_a_value(admissions: Compile, source: Source) -> None:
    """HL7 v2 section 2.9.5."""
    null = '""'
    record = admissions("hl7v2").read(
        message(
            HEADER,
            segment("PID", dict.fromkeys(range(2, 40), null) | {5: f"{null}^{null}"}),
            segment("PV1", dict.fromkeys(range(2, 53), null)),
        ),
        source,
    )
    assert record.patient == Person()
    assert record.identifiers == ()
    assert {name for name in record.origins if name not in {"event_time", "message_time"}} == set()
    assert codes(record) == ["time-without-zone", "hl7-no-visit-number", "band-missing"]


def test_what_cannot_be_read_costs_the_value_and_is_told_at_its_place(admissions: Compile, source: Source) -> None:
    record = admissions("hl7v2").read(
        message(
            HEADER.replace("20260314101500", "yesterday"),
            "EVN|A04|20269114",
            segment("PID", {3: "471^^^AHMC^MR", 5: "QUILLFEATHER", 7: "00000000", 8: "Q", 30: "perhaps"}),
            segment("PV1", {2: "E", 19: "V771", 44: "20260314"}),
        ),
        source,
    )
    told = {(finding.code, finding.path, finding.line) for finding in record.findings}
    assert told >= {
        ("value-unreadable", "MSH-7", 1),
        ("value-unreadable", "EVN-2", 2),
        ("value-unreadable", "PID-7", 3),
        ("code-unknown", "PID-8", 3),
        ("code-unknown", "PID-30", 3),
        ("value-unreadable", "PV1-44", 4),  # a day is not midnight
    }
    assert record.patient == Person(family="QUILLFEATHER")
    assert record.event_time is record.admitted_at is None
    assert record.visit_number is not None


@pytest.mark.parametrize(
    ("event", "expected", "place"),
    [
        ("EVN|A04|20260314101459||||20260314101200", "2026-03-14T15:12:00+00:00", "EVN-6"),
        ("EVN|A04|20260314101459", "2026-03-14T15:14:59+00:00", "EVN-2"),
        ("EVN|A04|20260314101459||||tomorrow", "2026-03-14T15:14:59+00:00", "EVN-2"),
        ("EVN|A04", "2026-03-14T15:15:00+00:00", "MSH-7"),
        ("EVN|A04|20260314101459+0100||||20260314101200Z", "2026-03-14T10:12:00+00:00", "EVN-6"),
    ],
)
def test_an_event_is_dated_when_it_occurred_else_recorded_else_sent(
    event: str, expected: str, place: str, admissions: Compile, source: Source
) -> None:
    """HL7 v2, the texts of EVN-6, EVN-2 and MSH-7; zone of the feed: UTC-5 that day."""
    record = admissions("hl7v2").read(message(HEADER, event, PATIENT), source)
    assert record.event_time == datetime.fromisoformat(expected)
    assert record.origins["event_time"].path == place


def test_a_zone_in_the_header_holds_for_the_whole_message(admissions: Compile, source: Source) -> None:
    """HL7 v2, the text of MSH-7."""
    header = HEADER.replace("20260314101500", "20260314101500+0100")
    record = admissions("hl7v2").read(message(header, "EVN|A04|20260314101459", PATIENT), source)
    assert record.event_time == datetime(2026, 3, 14, 9, 14, 59, tzinfo=UTC)
    assert "time-without-zone" not in codes(record)


def test_local_times_are_told_once(admissions: Compile, source: Source) -> None:
    record = admissions("hl7v2").read(message(HEADER, "EVN|A04|20260314101459||||20260314101200", PATIENT), source)
    assert codes(record).count("time-without-zone") == 1


def test_an_hour_that_the_clock_skipped_is_kept_and_told(admissions: Compile, source: Source) -> None:
    """America/Chicago went from 02:00 to 03:00 on 8 March 2026 (IANA time zone database)."""
    record = admissions("hl7v2").read(message(HEADER, "EVN|A04|20260308023000", PATIENT), source)
    assert record.event_time is not None
    assert ("time-impossible", "EVN-2") in {(finding.code, finding.path) for finding in record.findings}


@pytest.mark.parametrize(
    ("patient", "unidentified"),
    [
        ({5: "DOE^JANE"}, True),  # a placeholder of the region
        ({5: "doe^jane"}, True),
        ({5: "QUILLFEATHER^ORSON", 31: "Y"}, True),
        ({5: "QUILLFEATHER^ORSON", 31: "N", 32: "AL"}, True),  # table 0445: the name is an alias
        ({5: "QUILLFEATHER^ORSON", 32: "UA~UD"}, True),  # the birth date is a default
        ({5: "QUILLFEATHER^ORSON", 32: "UA"}, False),  # only the address is
        ({5: "QUILLFEATHER^ORSON", 31: "N"}, False),
        ({5: "DOEBURY^ORSON"}, False),
    ],
)
def test_a_filler_in_place_of_a_person_is_marked(
    patient: dict[int, str], unidentified: bool, admissions: Compile, source: Source
) -> None:
    """HL7 v2, PID-31 and PID-32 with table 0445."""
    assert (
        admissions("hl7v2").read(message(HEADER, segment("PID", patient)), source).patient.unidentified is unidentified
    )


def test_old_and_new_forms_of_one_code_are_one_code(admissions: Compile, source: Source) -> None:
    """HL7 v2 section 2.7: what a later version adds stands on the right."""
    for written in ("E", "E^Emergency", "E^Emergency^HL70004"):
        record = admissions("hl7v2").read(message(HEADER, PATIENT, f"PV1|1|{written}"), source)
        assert record.patient_class == "E"


def test_each_diagnosis_keeps_its_own_values(admissions: Compile, source: Source) -> None:
    """HL7 v2, DG1 (from memory): version 2.2 wrote the text in DG1-4, later ones in DG1-3.2."""
    record = admissions("hl7v2").read(
        message(
            HEADER,
            PATIENT,
            "DG1|1||R07.9^Chest pain^I10|||A",
            "DG1|2|||Fell from pier",
            "DG1|3||S52.5||||W",
            "DG1|4||T75.1|Near drowning",
        ),
        source,
    )
    assert record.diagnoses == (
        Diagnosis(code="R07.9", system="I10", text="Chest pain", type="A"),
        Diagnosis(code="S52.5"),
        Diagnosis(code="T75.1", text="Near drowning"),
    )
    assert record.origins["diagnoses[2].text"] == Origin("DG1[4]-4", 6, "hl7v2: diagnoses.text")
    assert ("hl7-diagnosis-without-code", 4) in {(finding.code, finding.line) for finding in record.findings}


def test_a_hospital_s_own_rule_goes_before_the_standard_s_place(admissions: Compile, source: Source) -> None:
    reader = admissions(
        "mapping: x\nkind: admissions\nabout: x\nbase: hl7v2\n"
        "values:\n  service: [ZPV-1, PV1-10]\n  quoted_reports: {at: OBX-5, where: {OBX-3: PCR}}\n"
        "  visit_number: {at: PID-3, where: {PID-3.5: VN}}\n  account: ZPV-2.1\n"
    )
    record = reader.read(
        message(
            HEADER,
            "PID|1||1^^^AHMC^MR~V9^^^^VN",
            segment("PV1", {2: "E", 10: "EM"}),
            "OBX|1|ST|PCR||7b9c\\T\\1",
            "ZPV||A7^x",
        ),
        source,
    )
    assert record.service == "EM"
    assert record.quoted_reports == ("7b9c&1",)
    assert record.visit_number == Identifier(value="V9", type="VN", system="urn:oid:2.16.840.1.113883.19.77.3.3")
    assert record.account == Identifier(value="A7")
    assert record.origins["visit_number"].path == "PID-3[2]"


# ── who issued a number ────────────────────────────────────────────────────────────────────────────


def visit(number: str) -> str:
    return segment("PV1", {2: "E", 19: number})


@pytest.mark.parametrize(
    ("number", "system"),
    [
        ("V771", VISITS),  # PV1-19 says its type itself: VN in the v2-to-FHIR map PV1[Encounter]
        ("V771^^^^VN", VISITS),
        ('V771^^^""^VN', VISITS),  # the delete indicator names nobody (HL7 v2 section 2.9.5)
        ("V771^^^^AN", None),  # it says that it is something else
        ("V771^^^AHMC^VN", None),  # it names an issuer, of whom the table has no visit numbers
        ("V771^^^SOH", None),  # another hospital's: a row by type alone is not for it
        ("V771^^^&soh.example&DNS", None),
        # CX.6, CX.9 and CX.10 name a facility, a jurisdiction, a department (2A.2.14): not ours without a word
        ("V771^^^^VN^SOH", None),
        ("V771^^^^VN^^^^YF", None),
        ("V771^^^^VN^^^^^CARDIO", None),
    ],
)
def test_a_number_without_an_issuer_is_attributed_by_its_type_and_no_other_is(
    number: str, system: str | None, admissions: Compile, source: Source
) -> None:
    record = admissions("hl7v2").read(message(HEADER, PATIENT, visit(number)), source)
    assert record.visit_number is not None
    assert (record.visit_number.value, record.visit_number.system) == ("V771", system)
    assert ("authority-unknown" in codes(record)) is (system is None)
    origin = record.origins.get("visit_number.system")
    assert origin == (Origin("PV1-19", 3, "feed anvil-head-adt: authorities {type: VN}") if system else None)


def test_the_row_that_names_the_issuer_is_the_feed_s_own(admissions: Compile, source: Source) -> None:
    """A row of one feed says nothing about the numbers of another."""
    elsewhere = dataclasses.replace(source, authorities=())
    record = admissions("hl7v2").read(message(HEADER, PATIENT, visit("V771")), elsewhere)
    assert record.visit_number == Identifier(value="V771")


def test_the_type_of_a_field_tells_two_numbers_of_one_issuer_apart(admissions: Compile, source: Source) -> None:
    """PID-18 is the account number, AN in table 0203; without a type in CX.5 the field says which it is."""
    record = admissions("hl7v2").read(message(HEADER, segment("PID", {18: "A7^^^AHMC"})), source)
    assert record.account == Identifier(value="A7", namespace="AHMC", system="urn:oid:2.16.840.1.113883.19.77.3.2")
    assert "account.system" not in record.origins


def test_a_number_cut_out_of_a_longer_field_has_no_issuer_but_what_its_field_leaves_open(
    admissions: Compile, source: Source
) -> None:
    reader = admissions("mapping: x\nkind: admissions\nabout: x\nvalues:\n  visit_number: PV1-19.1\n")
    systems = {}
    for number in ("V771", "V771^^^SOH^VN"):
        found = reader.read(message(HEADER, PATIENT, visit(number)), source).visit_number
        assert found is not None
        systems[number] = found.system
    assert systems == {"V771": VISITS, "V771^^^SOH^VN": None}


def test_unknown_issuers_are_told_once_for_each_field(read: Read) -> None:
    """Not for each repetition: a hospital's lists would fill the work list with one and the same mistake."""
    patient = segment("PID", {3: "471^^^AHMC^MR~1^^^X^MR~2^^^Y^PI~3", 18: "A7^^^X^AN"})
    record = read("hl7v2", HEADER, patient, visit("V1^^^X"))
    told = [(each.path, each.line) for each in record.findings if each.code == "authority-unknown"]
    assert sorted(told) == [("PID-18", 2), ("PID-3[2]", 2), ("PV1-19", 3)]


@pytest.mark.parametrize("band", ["YF7K4M2QG", "YF7K4M2QG^^^SOH^MR", "YF7 K4M 2QG^^^^PNT", "YF7K4M2QH"])
def test_a_band_needs_no_issuer_where_its_place_is_one_for_identifiers(read: Read, band: str) -> None:
    """It is known by its scheme; one that fails its check is told as that, once."""
    for listed in (f"471^^^AHMC^MR~{band}", f"{band}~471^^^AHMC^MR"):
        record = read("band-in-pid3-any-authority", HEADER, f"PID|1||{listed}")
        assert len(record.identifiers) == 2
        assert "authority-unknown" not in codes(record)


def test_a_band_in_a_list_that_the_mapping_does_not_look_for_bands_in_is_an_identifier_like_others(read: Read) -> None:
    record = read("band-in-z-segment", HEADER, "PID|1||471^^^AHMC^MR~YF7K4M2QG", "ZBD|1|YF7K4M2QG")
    assert [each.path for each in record.findings if each.code == "authority-unknown"] == ["PID-3[2]"]


# ── patients, traffic ──────────────────────────────────────────────────────────────────────────────


def test_two_patients_in_one_message_are_never_mixed(admissions: Compile, source: Source) -> None:
    """HL7 v2 section 3.3, A17: two patients exchange beds, each with PID and PV1."""
    swap = message(
        HEADER.replace("A04^ADT_A01", "A17^ADT_A17"),
        "EVN|A17|20260314101459",
        "PID|1||1^^^AHMC^MR||QUILLFEATHER^ORSON",
        segment("PV1", {2: "I", 3: "W1^1^A", 19: "V1"}),
        "PID|2||2^^^AHMC^MR~YF7K4M2QG^^^YFBAND||TOAD^WIMPLE",
        segment("PV1", {2: "I", 3: "W2^2^B", 19: "V2"}),
    )
    first, second = admissions("band-in-pid3").read_each(swap, source)
    assert (first.patient.family, first.location, bands(first)) == (
        "QUILLFEATHER",
        Location(unit="W1", room="1", bed="A"),
        [],
    )
    assert (second.patient.family, second.location) == ("TOAD", Location(unit="W2", room="2", bed="B"))
    assert [sighting.canonical for sighting in second.sightings] == ["YF7K4M2QG"]
    assert first.event_time == second.event_time is not None
    assert second.origins["patient.family"].line == 5
    assert "hl7-several-patients" in codes(first)
    assert admissions("band-in-pid3").read(swap, source) == first


def test_a_merge_keeps_the_identifiers_that_end(admissions: Compile, source: Source) -> None:
    """HL7 v2 section 3.6.2: PID holds the surviving identifiers, MRG those that end."""
    record = admissions("band-in-pid3").read(
        message(HEADER.replace("A04^ADT_A01", "A40^ADT_A39"), f"PID|1||MR1^^^AHMC^MR~{OURS}", "MRG|MR2^^^AHMC^MR"),
        source,
    )
    assert [each.value for each in record.merged] == ["MR2"]
    assert [each.value for each in record.identifiers] == ["MR1", "YF7K4M2QG"]


def test_a_message_about_nobody_has_no_band_to_miss(admissions: Compile, source: Source) -> None:
    record = admissions("band-in-pid3").read(message(HEADER, "NPU|ED^12|U"), source)
    assert record.patient == Person()
    assert codes(record) == ["time-without-zone"]


#: A training band, its check character by python-stdnum as in the tests of the scheme.
EXERCISE = "YT000000" + mod_37_2.calc_check_digit("YT000000", alphabet="0123456789ACDEFGHJKMNPQRTVWXY")


@pytest.mark.parametrize(
    ("processing_id", "exercise", "traffic", "said"),
    [
        ("P", False, Traffic.LIVE, []),
        ("", False, Traffic.LIVE, []),
        ("T", False, Traffic.TEST, ["hl7-test"]),
        ("D", False, Traffic.TEST, ["hl7-test"]),
        ("T^A", True, Traffic.TEST, ["hl7-test", "band-training"]),
        ("", True, Traffic.TEST, ["band-training"]),
        ("P", True, Traffic.LIVE, ["band-mixed-signals"]),
    ],
)
def test_exercises_are_kept_apart_and_contradictions_told(
    processing_id: str, exercise: bool, traffic: Traffic, said: list[str], read: Read
) -> None:
    """HL7 v2 table 0103: P production, T training, D debugging."""
    band = EXERCISE if exercise else "YF7K4M2QG"
    record = read("band-in-z-segment", HEADER.replace("|P|", f"|{processing_id}|"), PATIENT, f"ZBD|1|{band}")
    assert record.traffic is traffic
    assert [code for code in codes(record) if code != "time-without-zone"] == said


def test_all_messages_of_a_feed_on_trial_are_test_traffic(admissions: Compile, source: Source) -> None:
    trial = dataclasses.replace(source, trial=True)
    record = admissions("band-in-z-segment").read(message(HEADER, PATIENT, f"ZBD|1|{EXERCISE}"), trial)
    assert record.traffic is Traffic.TEST
    assert "band-training" in codes(record)


# ── messages of others, and hostile ones ───────────────────────────────────────────────────────────


def test_messages_of_others_are_read_and_agree_with_another_reader(admissions: Compile, source: Source) -> None:
    """The good messages of the corpus beside this checkout, compared with python-hl7."""
    if not CORPUS.is_dir():
        pytest.skip("the corpus of HL7 v2 messages is not beside this checkout")
    reader = admissions("hl7v2")
    compared = 0
    for path in sorted((CORPUS / "good").glob("ADT*.hl7")):
        ours = er7.read(path.read_bytes())
        record = reader.read(ours, source)
        theirs = hl7.parse(ours.text)
        if len(ours.segments("PID")) == 1 and record.patient.family is not None:
            family = theirs.extract_field("PID", 1, 5, 1, 1)
            assert record.patient.family == family.partition("&")[0], path.name
            compared += 1
    assert compared > 20


@pytest.mark.parametrize("group", ["good", "odd", "bad"])
def test_no_message_of_others_is_too_odd_to_map(group: str, source: Source) -> None:
    if not CORPUS.is_dir():
        pytest.skip("the corpus of HL7 v2 messages is not beside this checkout")
    names = [path.stem for path in MAPPINGS.glob("*.yaml") if "kind: admissions" in path.read_text(encoding="utf-8")]
    readers = [compile_admissions(shipped_mapping(name), shipped_tables()) for name in names]
    for path in sorted((CORPUS / group).glob("*.hl7")):
        try:
            odd = er7.read(path.read_bytes())
        except SenderFault:
            continue
        for reader in readers:
            for record in reader.read_each(odd, source):
                assert record.organisation == "anvil-head"


FIELDS = st.lists(st.text(st.sampled_from('AYF7K4M2QG0 ^~&\\"é'), max_size=12), max_size=60)


@settings(max_examples=60)
@given(FIELDS, FIELDS, FIELDS)
def test_any_fields_are_read_without_raising_and_without_a_value_in_a_finding(
    read: Read, patient: list[str], visit: list[str], note: list[str]
) -> None:
    segments = [HEADER, "|".join(["PID", *patient]), "|".join(["PV1", *visit]), "|".join(["NTE", *note])]
    for mapping in ("band-in-pid3-any-authority", "band-in-pv1-50"):
        for finding in read(mapping, *segments).findings:
            assert not any(text in finding.message + finding.remedy for text in patient if len(text) > 8)


def test_a_hostile_list_of_repetitions_is_read_in_time_that_grows_with_it(admissions: Compile, source: Source) -> None:
    many = message(HEADER, "PID|1||" + "~".join(f"{number}^^^AHMC^MR" for number in range(2_000)))
    record = admissions("band-in-pid3-any-authority").read(many, source)
    assert len(record.identifiers) > 1_000  # the adapter keeps what is beyond a thousand together
