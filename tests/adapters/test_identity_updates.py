"""ADT^A31 with the band. Sources: HL7 v2, edition 2.9.1 (2.9.5, 2A.2.14, 3.3.31); hl7apy as foreign reader."""

from typing import Any

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.adapters.er7 import read
from gateway.adapters.er7_text import USUAL
from gateway.adapters.identity_updates import Station, find_visit, get_dialect, identity_update
from gateway.errors import GatewayFault
from gateway.mapping.conversions import CX, identifier
from gateway.records import EpisodeState, Identifier, LinkedRecord, LinkState, Person, RecordKind, Traffic, VisitState
from tests.adapters.linked import ALIAS, BAND, LINKED_VISIT, OPENED, RECORD, at, link, with_admission
from tests.bands.schemes import SCHEMES

VERSIONS = ["2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"]
OWN_BAND = "YFBAND&2.16.840.1.113883.19.77.1&ISO"


def update(record: LinkedRecord, **changes: Any) -> bytes:
    given: dict[str, Any] = {
        "schemes": SCHEMES,
        "sender": Station("GATE^2.999.1.1^ISO", "REGION^2.999.1^ISO"),
        "receiver": Station("ADT", "AHMC"),
        "control_id": "01JH8Z0001",
        "time": OPENED,
    }
    return identity_update(record, **(given | changes))


def segments(message: bytes) -> dict[str, list[str]]:
    """The message split by the default delimiters: segment name to fields, numbered as PID-n is."""
    return {line[:3]: line.split("|") for line in message.decode().split("\r") if line}


def identifiers(message: bytes) -> list[str]:
    return segments(message)["PID"][3].split("~")


# ── shape ──────────────────────────────────────────────────────────────────────────────────────────


def test_the_whole_message() -> None:
    """The form of section 9.1's example: MSH EVN PID PV1, class N, nothing else filled."""
    assert update(RECORD, event_time=at(50)).decode().split("\r") == [
        "MSH|^~\\&|GATE^2.999.1.1^ISO|REGION^2.999.1^ISO|ADT|AHMC|20260301101200-0600||ADT^A31^ADT_A05|01JH8Z0001"
        "|P|2.5.1||||||UNICODE UTF-8",
        "EVN||20260301101200-0600||||20260301110200-0600",
        "PID|1||00412907^^^AHMC&2.16.840.1.113883.19.77.11.1&ISO^MR~900-55-0142^^^USSSA^SS~yf7-k4m-2qg^^^AHMC^PI"
        f"~{BAND}^^^{OWN_BAND}^PNT^^20260301~{ALIAS}^^^{OWN_BAND}^PNT||Quillfeather^Ivy^Maud",
        "PV1|1|N",
        "",
    ]


@pytest.mark.parametrize("version", VERSIONS)
def test_a_foreign_reader_finds_the_band_and_every_number(version: str) -> None:
    message = update(RECORD, version=version)
    person = hl7.parse(message.decode()).segment("PID")
    found = [(str(each[0]), str(each[3]).split("&")[1:2]) for each in person[3]]
    oid = ["2.16.840.1.113883.19.77.1"]
    assert found[-2:] == [(BAND, oid), (ALIAS, oid)]
    assert [value for value, _ in found[:3]] == ["00412907", "900-55-0142", "yf7-k4m-2qg"]


@pytest.mark.parametrize("version", VERSIONS[1:])
def test_it_is_valid_for_the_version(version: str) -> None:
    """hl7apy, validation STRICT; for 2.3 it cannot find a structure, since MSH-9.3 came with 2.3.1."""
    parsed = parse_message(update(RECORD, version=version).decode(), validation_level=VALIDATION_LEVEL.STRICT)
    assert parsed.validate()
    band = parsed.pid.pid_3[3]
    assert band.cx_1.to_er7() == BAND
    assert band.cx_4.hd_2.to_er7() == "2.16.840.1.113883.19.77.1"
    assert band.cx_4.hd_3.to_er7() == "ISO"
    assert len(parsed.pid.pid_3) == 5


@pytest.mark.parametrize(
    ("version", "kind", "event_code", "message_type"),
    [
        ("2.3", "PT", "A31", "ADT^A31"),
        ("2.3.1", "PT", "A31", "ADT^A31^ADT_A01"),
        ("2.4", "PT", "A31", "ADT^A31^ADT_A05"),
        ("2.5", "PNT", "", "ADT^A31^ADT_A05"),
        ("2.5.1", "PNT", "", "ADT^A31^ADT_A05"),
        ("2.8", "PNT", "", "ADT^A31^ADT_A05"),
    ],
)
def test_the_message_speaks_the_receivers_version(version: str, kind: str, event_code: str, message_type: str) -> None:
    """PNT came with 2.5 and EVN-1 went then; MSH-9.3 came with 2.3.1; CX.7 with 2.4."""
    message = segments(update(RECORD, version=version))
    band = message["PID"][3].split("~")[3].split("^")
    assert band[4] == kind
    assert message["EVN"][1] == event_code
    assert message["MSH"][8] == message_type
    assert message["MSH"][11] == version
    assert len(band) == (5 if version.startswith("2.3") else 7)


def test_the_name_type_is_said_where_it_is_required() -> None:
    """XPN.7 is required from 2.7; a filler is an assigned name (table 0200)."""
    filler = with_admission(patient=Person(family="DOE", given="JOHN", unidentified=True))
    assert segments(update(RECORD, version="2.7"))["PID"][5] == "Quillfeather^Ivy^Maud^^^^L"
    assert segments(update(filler, version="2.7"))["PID"][5] == "DOE^JOHN^^^^^A"
    assert segments(update(filler))["PID"][5] == "DOE^JOHN"


def test_a_patient_without_a_name() -> None:
    """PID-5 is required; the recommended value for an unknown name, from memory."""
    assert segments(update(with_admission(patient=Person())))["PID"][5] == "~^^^^^^U"


def test_exercises_are_marked() -> None:
    drill = replace(RECORD, episode=replace(RECORD.episode, traffic=Traffic.TEST))
    assert segments(update(drill))["MSH"][10] == "T"


# ── the list is a snapshot ─────────────────────────────────────────────────────────────────────────


def test_every_component_of_the_facilitys_numbers_goes_back() -> None:
    """2.9.5: what a repeating field leaves out counts as removed."""
    full = Identifier(
        value="PATID1234",
        check_digit="5",
        check_scheme="M11",
        namespace="ADT1",
        type="MR",
        facility="GOOD HEALTH HOSPITAL",
        start="20200101",
        end="20300101",
    )
    plain = Identifier(value="77 & 8^9")
    found = identifiers(update(with_admission(identifiers=(full, plain), sightings=())))
    assert found[0] == "PATID1234^5^M11^ADT1^MR^GOOD HEALTH HOSPITAL^20200101^20300101"
    assert found[1] == "77 \\T\\ 8\\S\\9"


def test_an_assigning_facility_that_is_an_oid_is_written_as_one() -> None:
    given = Identifier(value="1", facility="2.999.10")
    assert identifiers(update(with_admission(identifiers=(given,))))[0] == "1^^^^^&2.999.10&ISO"


@pytest.mark.parametrize(
    "authority",
    [
        {"namespace": "YFBAND", "universal_id": "2.16.840.1.113883.19.77.1", "universal_id_type": "ISO"},
        {"namespace": "BANDS", "universal_id": "2.16.840.1.113883.19.77.1", "universal_id_type": "ISO"},
        {"namespace": "YFBAND"},
    ],
)
def test_a_band_already_told_under_its_authority_is_not_doubled(authority: dict[str, str]) -> None:
    told = Identifier(value=BAND, type="PI", **authority)
    found = identifiers(update(with_admission(identifiers=(told,))))
    assert [each.split("^")[0] for each in found] == [BAND, ALIAS]


@pytest.mark.parametrize("authority", [{}, {"namespace": "AHMC"}, {"namespace": "YFBAND", "universal_id": "2.999.1"}])
def test_a_band_under_another_authority_stays_and_the_right_one_is_added(authority: dict[str, str]) -> None:
    told = Identifier(value=BAND, **authority)
    found = identifiers(update(with_admission(identifiers=(told,))))
    assert [each.split("^")[0] for each in found] == [BAND, BAND, ALIAS]
    assert found[1].split("^")[3] == OWN_BAND


def test_a_closed_episode_tells_when_the_band_ended() -> None:
    closed = replace(RECORD.episode, state=EpisodeState.CLOSED, closed=at(60 * 24))
    found = identifiers(update(replace(RECORD, episode=closed)))
    assert found[3].split("^")[6:] == ["20260301", "20260302"]


def test_nothing_is_ever_deleted() -> None:
    """2.4.3.1: two quotes delete."""
    assert b'""' not in update(RECORD)
    with pytest.raises(GatewayFault):
        update(with_admission(identifiers=(Identifier(value='""'),)))


# ── whom it may be told of ─────────────────────────────────────────────────────────────────────────


def test_the_newest_visit_that_was_not_cancelled() -> None:
    admission = replace(LINKED_VISIT.visit.admission, event_time=at(90))
    later = replace(LINKED_VISIT, id="v-2", visit=replace(LINKED_VISIT.visit, admission=admission))
    both = replace(RECORD, visits=(LINKED_VISIT, later))
    assert find_visit(both, "anvil-head") == later
    gone = replace(later, visit=replace(later.visit, state=VisitState.CANCELLED))
    assert find_visit(replace(RECORD, visits=(gone, LINKED_VISIT)), "anvil-head") == LINKED_VISIT
    assert find_visit(both, "saint-orla") is None


@pytest.mark.parametrize(
    "record",
    [
        replace(RECORD, visits=()),
        replace(RECORD, recipient="saint-orla"),
        replace(RECORD, visits=(replace(LINKED_VISIT, link=link("v-1", RecordKind.VISIT, state=LinkState.HELD)),)),
        with_admission(VisitState.CANCELLED),
    ],
    ids=["no visit", "visit elsewhere", "link held", "visit cancelled"],
)
def test_without_a_standing_visit_there_is_nothing_to_update(record: LinkedRecord) -> None:
    with pytest.raises(GatewayFault):
        update(record)


@pytest.mark.parametrize("version", ["2.2", "2.1", "3.0", "1", "", "two", "2.x", "٢.٥"])
def test_a_version_that_cannot_carry_the_band_is_refused(version: str) -> None:
    with pytest.raises(GatewayFault):
        get_dialect(version)


def test_a_later_version_is_taken_as_the_nearest_known() -> None:
    assert get_dialect("2.9.1") == get_dialect("2.7")


# ── any numbers ────────────────────────────────────────────────────────────────────────────────────

PARTS = st.text(st.characters(min_codepoint=32, exclude_categories=["Cs", "Cc"]), min_size=1, max_size=12).filter(
    lambda text: text != '""'
)
NUMBERS = st.lists(st.builds(Identifier, value=PARTS, type=st.none() | PARTS, namespace=st.none() | PARTS), max_size=4)


@given(NUMBERS)
@settings(deadline=None)
def test_any_numbers_survive_the_way(numbers: list[Identifier]) -> None:
    message = read(update(with_admission(identifiers=tuple(numbers), sightings=())))
    segment = message.segments("PID")[0]
    kept = [
        (
            segment.value(3, 1, repetition=place),
            segment.value(3, 5, repetition=place),
            segment.value(3, 4, repetition=place),
        )
        for place in range(1, len(numbers) + 1)
    ]
    assert kept == [(each.value, each.type, each.namespace) for each in numbers]
    assert segment.value(3, 1, repetition=len(numbers) + 1) == BAND


def test_what_the_facility_said_beyond_our_fields_goes_back_as_it_came() -> None:
    """PID-3 is a snapshot (HL7 v2 section 2.9.5): jurisdiction, department and the facility's OID are sent back."""
    written = "4711^^^AHMC&2.999.10&ISO^MR^AHMC&2.999.10&ISO^20260101^^YF^ED"
    given = identifier(written, USUAL, CX, ())
    plain = identifier("4711^^^AHMC&2.999.10&ISO^MR^AHMC", USUAL, CX, ())
    assert given is not None
    assert plain is not None
    assert (given.value, given.facility, given.written, plain.written) == ("4711", "AHMC", written, None)
    record = with_admission(identifiers=(given,))
    assert identifiers(update(record))[0] == written
    assert identifiers(update(record, version="2.4"))[0] == "^".join(written.split("^")[:8])
