"""From the text of one HL7 v2 repetition to a value of the record."""

import datetime

import pytest
from hl7apy import load_library
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.er7_text import USUAL, Delimiters
from gateway.mapping import conversions
from gateway.mapping.conversions import CX, XCN, XCN_FIELDS, XPN_FIELDS
from gateway.mapping.source import Authority
from gateway.records import Address, Identifier, Location

NAMES = st.text(st.characters(blacklist_characters="\r\n", blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20)


def fields_of_type(data_type: str, segments: str) -> set[str]:
    """The fields of a data type by the per-version definitions of hl7apy, version 2.5.1."""
    library = load_library("2.5.1")
    return {
        row[0].replace("_", "-")
        for segment in segments.split()
        for row in library.get(segment, "Segment")[1]
        if row[1][2] == data_type
    }


def test_the_fields_with_a_number_before_a_name_are_those_of_the_standard() -> None:
    assert fields_of_type("XCN", "PID PD1 EVN PV1 PV2 NK1 OBX DG1 ROL MRG PR1 IN1") == XCN_FIELDS


def test_the_fields_with_a_name_alone_are_those_of_the_standard() -> None:
    assert fields_of_type("XPN", "PID NK1 MRG") == XPN_FIELDS


def test_a_composite_identifier() -> None:
    """HL7 v2 2A.2.14 and the first PID-3 repetition of the standard's ADT^A01 (section 3.5.1)."""
    raw = "PATID1234^5^M11^ADT1^MR^GOOD HEALTH HOSPITAL"
    assert conversions.identifier(raw, USUAL, CX, ()) == Identifier(
        value="PATID1234",
        check_digit="5",
        check_scheme="M11",
        namespace="ADT1",
        type="MR",
        facility="GOOD HEALTH HOSPITAL",
    )


def test_an_identifier_with_a_universal_id_and_a_term_of_validity() -> None:
    """HL7 v2 2A.2.14: CX.4.1 to CX.4.3 are the assigning authority, CX.7 and CX.8 the term."""
    raw = "YF7K4M2QG^^^YFBAND&2.16.840.1.113883.19.77.1&ISO^PNT^^20260314^20260315"
    assert conversions.identifier(raw, USUAL, CX, ()) == Identifier(
        value="YF7K4M2QG",
        system="urn:oid:2.16.840.1.113883.19.77.1",
        type="PNT",
        namespace="YFBAND",
        universal_id="2.16.840.1.113883.19.77.1",
        universal_id_type="ISO",
        start="20260314",
        end="20260315",
    )


def test_the_issuer_without_its_nickname() -> None:
    found = conversions.identifier("4711^^^&2.999.1&ISO^MR", USUAL, CX, ())
    assert found == Identifier(
        value="4711", system="urn:oid:2.999.1", type="MR", universal_id="2.999.1", universal_id_type="ISO"
    )


def test_the_name_of_a_doctor_is_no_part_of_the_number() -> None:
    """HL7 v2 chapter 2A, XCN: has the name in components 2 to 7 and the issuer in component 9."""
    raw = "004777^ATTEND^AARON^A^III^DR^^^AHMC&2.999.2&ISO^L^^^EI"
    assert conversions.identifier(raw, USUAL, XCN, ()) == Identifier(
        value="004777",
        system="urn:oid:2.999.2",
        namespace="AHMC",
        universal_id="2.999.2",
        universal_id_type="ISO",
        type="EI",
    )
    assert conversions.name(raw, USUAL, family=2) == "DR AARON A ATTEND III"


def test_a_plain_number_is_an_identifier_the_feed_s_table_may_know() -> None:
    table = (Authority(system="urn:oid:2.999.3", namespace="AHMC"),)
    assert conversions.identifier("00471100", USUAL, CX, table) == Identifier(value="00471100")


@pytest.mark.parametrize("raw", ["^^^AHMC^MR", '""', '""^^^AHMC', "^", "&x"])
def test_without_a_number_there_is_no_identifier(raw: str) -> None:
    assert conversions.identifier(raw, USUAL, CX, ()) is None


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("2000^2012^01", Location(unit="2000", room="2012", bed="01")),
        ("ED^^^AHMC&2.999.2&ISO", Location(unit="ED", facility="AHMC")),
        ('ED^""', Location(unit="ED")),
        ("^^^^N", None),
        ('""', None),
    ],
)
def test_a_location(raw: str, expected: Location | None) -> None:
    """HL7 v2 chapter 2A, PL: point of care, room, bed, facility."""
    assert conversions.location(raw, USUAL) == expected


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (
            "2222 HOME STREET^^GREENSBORO^NC^27401-1020",
            Address(lines=("2222 HOME STREET",), city="GREENSBORO", state="NC", postal_code="27401-1020"),
        ),
        (
            "14 Invented Way&Invented Way&14^Flat 2^Marrow Ford^YF^00000^USA^H^^Yarrow",
            Address(
                lines=("14 Invented Way", "Flat 2"),
                city="Marrow Ford",
                state="YF",
                postal_code="00000",
                country="USA",
                district="Yarrow",
            ),
        ),
        ('""^""', None),
        ("^^^^^^H", None),
    ],
)
def test_an_address(raw: str, expected: Address | None) -> None:
    """HL7 v2 chapter 2A, XAD; a street of subcomponents (SAD) is given whole by its first."""
    assert conversions.address(raw, USUAL) == expected


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("QUILLFEATHER^ORSON^T", "ORSON T QUILLFEATHER"),
        ("VAN DER MOTTE&VAN DER&MOTTE^ILSE", "ILSE VAN DER MOTTE"),
        ("TOAD", "TOAD"),
        ('""', None),
        ("^^^^^^L", None),
    ],
)
def test_a_name_alone(raw: str, expected: str | None) -> None:
    """HL7 v2 chapter 2A, XPN: family, given, further given, suffix, prefix."""
    assert conversions.name(raw, USUAL, family=1) == expected


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("19610615", "1961-06-15"),
        ("196106", "1961-06"),
        ("1961", "1961"),
        ("19610615083000-0500", "1961-06-15"),
        ("20000229", "2000-02-29"),
        ("19000229", None),  # 1900 was no leap year
        ("00000000", None),  # a filler met in practice (common practice, no source)
        ("19619115", None),
        ("١٩٦١٠٦١٥", None),
        ("15.06.1961", None),
    ],
)
def test_a_date_keeps_its_precision(said: str, expected: str | None) -> None:
    """HL7 v2 chapter 2A, DT and DTM: the precision is what was written."""
    assert conversions.date(said) == expected


@given(st.dates(min_value=datetime.date(1000, 1, 1)))
def test_every_day_of_the_calendar_is_read(day: datetime.date) -> None:
    assert conversions.date(day.strftime("%Y%m%d")) == day.isoformat()


@given(NAMES.filter(lambda name: name != '""'), NAMES.filter(lambda name: name != '""'))
def test_what_is_escaped_on_the_way_in_is_the_value(family: str, given_name: str) -> None:
    raw = f"{USUAL.escape_text(family)}^{USUAL.escape_text(given_name)}"
    assert conversions.components(raw, USUAL, 3) == [family, given_name, None]


@given(st.text(min_size=1))
def test_no_text_is_too_odd_to_be_looked_at(raw: str) -> None:
    other = Delimiters("!", "@", "#", "$", "%")
    for delimiters in (USUAL, other):
        conversions.identifier(raw, delimiters, CX, ())
        conversions.identifier(raw, delimiters, XCN, ())
        conversions.location(raw, delimiters)
        conversions.address(raw, delimiters)
        conversions.name(raw, delimiters, family=2)
        conversions.date(raw)
