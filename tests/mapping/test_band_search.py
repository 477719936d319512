"""What came of looking for the band: each way in which a place gives nothing, told by kind and never by value."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters import er7
from gateway.adapters.care_reports import reports
from gateway.mapping.admissions import AdmissionReader, compile_admissions, patients_of
from gateway.mapping.band_search import LookedAt, Outcome, printed, search_admission, search_report
from gateway.mapping.care_reports import compile_care_reports
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.rules import BandPlace, Mapping
from gateway.mapping.source import Source
from gateway.records import How
from tests.mapping.conftest import over_base, shipped_mapping, shipped_tables

HEADER = "MSH|^~\\&|REG|AHMC|GATE|YF|20260314101500||ADT^A04^ADT_A01|A1|P|2.5.1"
PATIENT = "PID|1||00471^^^AHMC^MR||QUILLFEATHER^ORSON"
FIXTURES = Path(__file__).parents[2] / "fixtures"
TABLES = shipped_tables()


def mapping_of(band: str) -> Mapping:
    text = f"mapping: x\nkind: admissions\nabout: x\nband:\n{band}"
    return over_base(read_mapping(text, "x.yaml", tables=TABLES))


def look(mapping: Mapping, source: Source, *segments: str, compiled: AdmissionReader | None = None) -> list[LookedAt]:
    """What came of each place for the first patient of a message."""
    message = er7.read("".join(f"{segment}\r" for segment in segments).encode())
    reader = compiled or compile_admissions(mapping, TABLES)
    first = patients_of(message)[0]
    seen = reader.read(message, source).sightings
    return list(search_admission(mapping.band, reader.bands, first, message.delimiters, seen))


@pytest.mark.parametrize(
    ("mapping", "segments", "outcome", "says"),
    [
        ("band-in-z-segment", [PATIENT, "ZBD|1|YF7K4M2QG"], Outcome.FOUND, "a band"),
        ("band-in-z-segment", [PATIENT], Outcome.ABSENT, "no ZBD segment"),
        ("band-in-z-segment", [PATIENT, "ZBD|1"], Outcome.EMPTY, "empty"),
        ("band-in-z-segment", [PATIENT, 'ZBD|1|""'], Outcome.EMPTY, "empty"),  # the delete indicator, section 2.9.5
        (
            "band-in-z-segment",
            [PATIENT, "ZBD|1|4711"],
            Outcome.NO_BAND,
            "not the form of any known band scheme",
        ),
        ("band-in-pid3", [PATIENT], Outcome.CONDITION, "PID-3.4.2 is empty"),
        (
            "band-in-pid3",
            ["PID|1||1^^^A&2.999.1&ISO~2^^^B&2.999.2&ISO"],
            Outcome.OTHER_AUTHORITY,
            "PID-3.4.2 is something else",
        ),
        ("band-in-pid3", ["PID|1"], Outcome.EMPTY, "empty"),
        ("band-in-obx", [PATIENT, "OBX|1|NM|8867-4||88"], Outcome.CONDITION, "OBX-3.1 is something else"),
        ("band-in-obx", [PATIENT, "OBX|1|NM|||88"], Outcome.CONDITION, "OBX-3.1 is empty"),
        ("band-in-obx", [PATIENT, "OBX|1|ST|BAND|"], Outcome.EMPTY, "empty"),
        ("band-in-pid3-any-authority", [PATIENT], Outcome.UNLIKE, "nothing like a band"),
        ("band-in-note", [PATIENT, "NTE|1||Carried in by father."], Outcome.UNLIKE, "nothing like a band"),
        ("band-in-note", [PATIENT, "NTE|1||Band YF7K4M2QG"], Outcome.FOUND, "a band"),
    ],
)
def test_each_outcome_of_the_place_a_mapping_trusts_most(
    mapping: str, segments: list[str], outcome: Outcome, says: str, source: Source
) -> None:
    """How hospitals record the band is common practice, no source."""
    first = look(shipped_mapping(mapping), source, HEADER, *segments)[0]
    assert (first.outcome, first.says) == (outcome, says)


def test_every_place_is_told_in_the_order_of_trust(source: Source) -> None:
    mapping = shipped_mapping("band-in-pid3")
    found = look(mapping, source, HEADER, "PID|1||YF7K4M2QG^^^YFBAND&2.16.840.1.113883.19.77.1&ISO", "NTE|1||YF7K4M2QG")
    assert [each.place for each in found] == [printed(place) for place in mapping.band]
    assert [each.outcome for each in found[:3]] == [Outcome.FOUND, Outcome.ALREADY, Outcome.FOUND]
    assert found[0].place == "PID-3 where PID-3.4.2 is 2.16.840.1.113883.19.77.1"
    assert [each.how for each in found[:3]] == [How.IDENTIFIER, How.IDENTIFIER, How.FREE_TEXT]
    assert found[0].rule == "band-in-pid3: band at PID-3"


def test_conditions_that_hold_but_nowhere_together_are_named(source: Source) -> None:
    mapping = mapping_of("  - {at: OBX-5, where: {OBX-3.1: BAND, OBX-11: F}, how: custom}\n")
    final, band = "OBX|1|ST|HR||88||||||F", "OBX|2|ST|BAND||YF7K4M2QG||||||P"
    (told,) = look(mapping, source, HEADER, PATIENT, final, band)
    assert (told.outcome, told.says) == (Outcome.CONDITION, "OBX-3.1 and OBX-11 hold nowhere together")


def test_what_a_place_below_took_is_not_said_to_be_found_above(source: Source) -> None:
    """The first place knows none of the scheme's bands and shares its field; the second is for bands only."""
    mapping = mapping_of(
        "  - {at: ZBD-2, how: custom, shared: true}\n  - {at: ZBD-2, how: identifier, scheme: other}\n"
    )
    first, second = look(mapping, source, HEADER, PATIENT, "ZBD|1|4711")
    assert (first.outcome, second.outcome) == (Outcome.UNLIKE, Outcome.NO_BAND)


def test_two_patients_are_searched_apart(source: Source) -> None:
    """HL7 v2 section 3.3, A17: two patients in one message."""
    mapping = shipped_mapping("band-in-z-segment")
    segments = ["PID|1||1^^^AHMC^MR", "ZBD|1|YF7K4M2QG", "PID|2||2^^^AHMC^MR"]
    message = er7.read("".join(f"{each}\r" for each in (HEADER, *segments)).encode())
    reader = compile_admissions(mapping, TABLES)
    found = [
        search_admission(mapping.band, reader.bands, each, message.delimiters, record.sightings)[0].outcome
        for each, record in zip(patients_of(message), reader.read_each(message, source), strict=True)
    ]
    assert found == [Outcome.FOUND, Outcome.ABSENT]


@pytest.mark.parametrize(
    ("place", "says"),
    [
        (BandPlace(at="ZBD-2", how=How.CUSTOM), "ZBD-2"),
        (BandPlace(custom="cePatient.Band", how=How.CUSTOM), "custom element cePatient.Band"),
        (BandPlace(at="OBX-5", where={"OBX-3": ["A", "B"]}, how=How.CUSTOM), "OBX-5 where OBX-3 is A or B"),
        (
            BandPlace(at="PID-3", where={"PID-3.4": {"present": False}, "PID-3.5": "PNT"}, how=How.CUSTOM),
            "PID-3 where PID-3.4 is empty and PID-3.5 is PNT",
        ),
        (BandPlace(at="X-1", where={"X-2": {"present": True}}, how=How.CUSTOM), "X-1 where X-2 is filled"),
    ],
)
def test_a_place_is_printed_as_people_read_it(place: BandPlace, says: str) -> None:
    assert printed(place) == says


REPORT = (FIXTURES / "day" / "care-reports" / "hip-1-1-larkfield.xml").read_text(encoding="utf-8")
NUMBER = "eOutcome.04>"
FORM = "not the form of any known band scheme"


@pytest.mark.parametrize(
    ("mapping", "old", "new", "outcome", "says"),
    [
        ("band-as-patient-id", "", "", Outcome.FOUND, "a band"),
        ("band-as-disaster-tag", "", "", Outcome.CONDITION, "eOutcome.03 is something else"),
        (
            "band-as-patient-id",
            f"<{NUMBER}YF",
            f"<{NUMBER}XX",
            Outcome.NO_BAND,
            "not the form of any known band scheme",
        ),
        ("band-as-patient-id", "eOutcome.ExternalDataGroup", "eOutcome.OtherGroup", Outcome.FOUND, "a band"),
        ("band-as-patient-id", "eOutcome.04", "eOutcome.05", Outcome.ABSENT, "no such element"),
        ("band-in-custom-element", "", "", Outcome.ABSENT, "no such element"),
    ],
)
def test_the_places_of_a_care_report(  # noqa: PLR0917 - a fixture, and a row of the table
    mapping: str, old: str, new: str, outcome: Outcome, says: str, source: Source
) -> None:
    """NEMSIS: eOutcome.03 is the type of the outside identifier in eOutcome.04."""
    whole = shipped_mapping(mapping)
    reader = compile_care_reports(whole, TABLES)
    (document,) = reports(REPORT.replace(old, new).encode() if old else REPORT.encode())
    sightings = reader.read(document, source).sightings
    first = search_report(whole.band, reader.bands, document, sightings)[0]
    assert (first.outcome, first.says) == (outcome, says)


NAMES = ("band-in-pid3", "band-in-pid3-any-authority", "band-in-z-segment", "band-in-obx")
READERS = [(mapping, compile_admissions(mapping, TABLES)) for mapping in map(shipped_mapping, NAMES)]
FIELD = st.lists(st.sampled_from(["YF7K4M2QG", "YF7K4M2QH", "4711^^^YFBAND", "YF7K4M2QG^^^YFBAND", '""', "", "x"]))


@settings(max_examples=80)
@given(FIELD, FIELD, FIELD, FIELD)
def test_a_place_is_said_to_hold_a_band_just_when_reading_saw_one_by_its_rule(
    source: Source, patient: list[str], local: list[str], observed: list[str], note: list[str]
) -> None:
    segments = [HEADER, f"PID|1||{'~'.join(patient)}", f"ZBD|1|{'~'.join(local)}", f"NTE|1||{' '.join(note)}"]
    segments += [f"OBX|{n}|ST|BAND||{each}" for n, each in enumerate(observed, 1)]
    message = er7.read("".join(f"{each}\r" for each in segments).encode())
    for mapping, compiled in READERS:
        sightings = compiled.read(message, source).sightings
        found = look(mapping, source, *segments, compiled=compiled)
        seen = {each.rule for each in sightings if each.canonical}
        assert {each.rule for each in found if each.outcome is Outcome.FOUND} == seen
        assert all("YF7K" not in each.says for each in found)
