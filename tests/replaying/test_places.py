"""Where times stand in an HL7 v2 message: the table against the definitions of another library.

Outside check: the segment and data type definitions that the `hl7apy` package carries for the versions 2.1 to 2.8.
"""

import importlib

import hl7
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.replaying.places import EVENT_FIELDS, IDENTIFIER_FIELDS, TIMES, AdmissionText

VERSIONS = ("2_1", "2_2", "2_3", "2_3_1", "2_4", "2_5", "2_5_1", "2_6", "2_7", "2_8")
DATES = {"TS", "DTM", "DT"}

#: Times of the segments that every admission message has, which stay on purpose.
STAYS = {("PID", 7)}  # date of birth


def definitions() -> dict[tuple[str, int], set[tuple[str, str]]]:
    """Segment and field → data types and names over all versions."""
    found: dict[tuple[str, int], set[tuple[str, str]]] = {}
    for version in VERSIONS:
        fields = importlib.import_module(f"hl7apy.v{version}.fields").FIELDS
        for name, definition in fields.items():
            segment, _, number = name.partition("_")
            found.setdefault((segment, int(number)), set()).add((definition[2], definition[3]))
    return found


DEFINITIONS = definitions()


def pairs(table: dict[str, str]) -> list[tuple[str, int]]:
    return [(segment, int(number)) for segment, numbers in table.items() for number in numbers.split()]


@pytest.mark.parametrize("place", pairs(EVENT_FIELDS))
def test_an_event_field_is_a_time_and_no_birth(place: tuple[str, int]) -> None:
    kinds = DEFINITIONS[place]
    assert {kind for kind, _ in kinds} & DATES
    assert not any("BIRTH" in name for _, name in kinds)


@pytest.mark.parametrize("place", pairs(IDENTIFIER_FIELDS))
def test_an_identifier_field_is_an_extended_composite_id(place: tuple[str, int]) -> None:
    assert "CX" in {kind for kind, _ in DEFINITIONS[place]}


@pytest.mark.parametrize("segment", ["MSH", "EVN", "PID", "PV1", "OBR", "OBX", "PR1", "DG1", "ACC", "TXA"])
def test_no_time_with_a_clock_is_left_out(segment: str) -> None:
    """Times of day (TS, DTM) of the usual segments all move, or stay for a reason."""
    timed = {
        place for place, kinds in DEFINITIONS.items() if place[0] == segment and {"TS", "DTM"} & {k for k, _ in kinds}
    }
    not_events = {("OBX", 12), ("TXA", 26)}  # when a reference range began to hold; a due date of a document
    assert timed - TIMES.keys() <= STAYS | not_events


def test_the_places_of_composites() -> None:
    """CX.7 and CX.8 (effective, expiration), DLD.2: the components of type TS, DT or DTM."""
    datatypes = importlib.import_module("hl7apy.v2_6.datatypes").DATATYPES
    assert [number for number in range(1, 11) if datatypes[f"CX_{number}"][2] in DATES] == [7, 8]
    assert [number for number in (1, 2) if datatypes[f"DLD_{number}"][2] in DATES] == [2]
    assert {kind for kind, _ in DEFINITIONS["PV1", 37]} >= {"DLD"}


TEXT = st.text(alphabet=st.characters(codec="utf-8", categories=("L", "N", "Zs")), max_size=8)


@given(st.lists(st.lists(TEXT, min_size=1, max_size=6), max_size=4), st.sampled_from(["\r", "\n", "\r\n"]))
def test_fields_are_where_another_parser_sees_them(rows: list[list[str]], end: str) -> None:
    """Outside check: `hl7.parse` splits the same message."""
    segments = [
        "MSH|^~\\&|A|B|||20260314||ADT^A08|7|P|2.6|||||||UNICODE UTF-8",
        *("ZZ1|" + "|".join(row) for row in rows),
        "ZZ2|1",
    ]
    body = end.join(segments).encode()
    found = AdmissionText.find(body)
    assert found is not None
    places = list(found.fields())
    assert all(found.text[place.start : place.end] == place.value for place in places)
    parsed = hl7.parse("\r".join(segments))
    for place in places:
        if place.segment == "MSH":
            assert str(parsed.segment("MSH")[place.field]) == place.value
    others = [place.value for place in places if place.segment == "ZZ1"]
    assert others == [str(field) for segment in parsed.segments("ZZ1") for field in segment[1:]] if rows else not others
    assert found.with_values([]) == body


@example(b"MSH:!#$;:::::::\x00\r")  # reading leaves the NUL out
@given(st.binary(max_size=200) | st.binary(max_size=200).map(lambda tail: b"MSH|^~\\&|A|B|||1||ADT|7|P|2.5|" + tail))
def test_any_bytes_are_found_whole_or_not_at_all(body: bytes) -> None:
    found = AdmissionText.find(body)
    assert found is None or found.with_values([]) == body


@pytest.mark.parametrize(
    ("charset", "name"),
    [("8859/1", "iso8859-1"), ("UNICODE UTF-8", "utf-8"), ("GB 18030-2000", "gb18030"), ("ISO IR14", "shift_jis")],
)
def test_other_bytes_stay_in_their_character_set(charset: str, name: str) -> None:
    """The second byte of a character may be that of a delimiter: 0x7C in Shift_JIS (JIS X 0208)."""
    family = {"iso8859-1": "Åström", "shift_jis": "ポール"}.get(name, "李")
    body = (
        f"MSH|^~\\&|A|B|||202603141200||ADT^A08|7|P|2.6||||||{'|'}{charset}\rPID|1||1||{family}^X||19610615\r".encode(
            name
        )
    )
    found = AdmissionText.find(body)
    assert found is not None
    place = next(each for each in found.times() if each.field == 7)
    assert found.with_values([(place, "202607010000")]) == body.replace(b"202603141200", b"202607010000")
