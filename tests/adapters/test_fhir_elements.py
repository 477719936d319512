"""FHIR data types. Source unless said: FHIR R4 4.0.1, data types and their patterns in the JSON schema."""

import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters import fhir_elements as fhir
from gateway.adapters.fhir_codes import ADMISSION_TYPE, ENCOUNTER_CLASS

# The patterns of R4's JSON schema.
STRING = re.compile(r"^[ \r\n\t\S]+$")
CODE = re.compile(r"^[^\s]+(\s[^\s]+)*$")
ID = re.compile(r"^[A-Za-z0-9\-.]{1,64}$")
DATE = re.compile(
    r"([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1]))?)?"
)
INSTANT = re.compile(
    r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]+)?"
    r"(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
)

ANY_TEXT = st.text(st.characters(), max_size=20)


@given(ANY_TEXT)
def test_text_is_a_string_of_the_schema_or_nothing(value: str) -> None:
    written = fhir.text(value)
    assert written is None or STRING.match(written)
    assert (written is None) == (not value.strip())


@given(ANY_TEXT)
def test_code_is_a_code_of_the_schema_or_nothing(value: str) -> None:
    written = fhir.code(value)
    assert written is None or CODE.match(written)


def test_what_cannot_be_written_is_marked() -> None:
    assert fhir.text("a\x00b\ud800c") == "a�b�c"
    assert fhir.text("a\xa0b\x0bc\td\n") == "a b�c\td\n"
    assert fhir.text("Zoë  Ōta") == "Zoë  Ōta"


@given(ANY_TEXT)
def test_every_text_gives_a_legal_and_stable_id(value: str) -> None:
    assert ID.match(fhir.resource_id(value))
    assert fhir.resource_id(value) == fhir.resource_id(value)
    assert fhir.resource_id(fhir.resource_id(value)) == fhir.resource_id(value)


def test_long_ids_stay_apart() -> None:
    assert fhir.resource_id("a" * 65) != fhir.resource_id("a" * 66)
    assert fhir.resource_id("a" * 64) == "a" * 64


OFFSETS = st.timedeltas(timedelta(hours=-23), timedelta(hours=23)).map(timezone)


MOMENTS = st.builds(datetime.fromtimestamp, st.floats(-2e9, 4e9), OFFSETS)


@given(MOMENTS)
def test_a_moment_is_an_instant_of_the_schema_and_the_same_moment(value: datetime) -> None:
    written = fhir.moment(value)
    assert INSTANT.fullmatch(written)
    assert datetime.fromisoformat(written) == value


def test_a_moment_keeps_its_offset_and_refuses_to_guess_one() -> None:
    at = datetime(2026, 3, 1, 10, 12, tzinfo=timezone(timedelta(hours=-6)))
    assert fhir.moment(at) == "2026-03-01T10:12:00-06:00"
    with pytest.raises(ValueError, match="zone"):
        fhir.moment(datetime(2026, 3, 1, 10, 12))  # noqa: DTZ001 - that is the fault under test


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("1961-06-15", "1961-06-15"),
        ("1961-06", "1961-06"),
        ("1961", "1961"),
        ("1980-02-30", None),
        ("1961-13", None),
        ("0000", None),
        ("19610615", None),
        ("15 June 1961", None),
        ("１９６１", None),
        (None, None),
    ],
)
def test_dates_keep_their_precision(given: str | None, written: str | None) -> None:
    assert fhir.partial_date(given) == written


@given(st.text("0123456789-", max_size=10))
def test_a_date_is_a_date_of_the_schema_or_nothing(value: str) -> None:
    written = fhir.partial_date(value)
    assert written is None or DATE.fullmatch(written)


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("20260301", "2026-03-01"),
        ("202603011012-0600", "2026-03-01"),
        ("202603", "2026-03"),
        ("2026", "2026"),
        ("00000000", None),
        ("20261301", None),
        ("", None),
        ("today", None),
        (None, None),
    ],
)
def test_days_of_hl7_v2(given: str | None, written: str | None) -> None:
    """HL7 v2 DT: YYYY[MM[DD]]; real feeds send filler zeros (common practice, no source)."""
    assert fhir.date_of_v2(given) == written


@pytest.mark.parametrize(
    ("given", "number"),
    [
        ("88", 88),
        ("36.4", 36.4),
        (" 12 ", 12),
        ("-1", -1),
        ("0", 0),
        ("High", None),
        ("P", None),
        ("", None),
        ("1e5", None),
        ("٨", None),
        ("9" * 30, None),
        (None, None),
    ],
)
def test_numbers(given: str | None, number: float | None) -> None:
    assert fhir.number(given) == number


@pytest.mark.parametrize(
    ("universal_id", "kind", "written"),
    [
        ("2.16.840.1.113883.19.5", "ISO", "urn:oid:2.16.840.1.113883.19.5"),
        ("2.16.840.01", "ISO", None),
        ("3.1", "ISO", None),
        ("0C7D6A5E-58A8-4A40-9B0E-53C7AC12C1F9", "UUID", "urn:uuid:0c7d6a5e-58a8-4a40-9b0e-53c7ac12c1f9"),
        ("https://ids.example.org/mrn", "URI", "https://ids.example.org/mrn"),
        ("hospital.example.org", "DNS", None),
        ("2.16.840", None, None),
        (None, "ISO", None),
    ],
)
def test_an_authority_becomes_a_urn(universal_id: str | None, kind: str | None, written: str | None) -> None:
    """HD[uri] of "HL7 Version 2 to FHIR" 1.0.0: urn:oid for ISO, urn:uuid for UUID."""
    assert fhir.urn(universal_id, kind) == written


def test_a_name_is_never_a_namespace() -> None:
    assert fhir.uri("AHMC") is None
    assert fhir.uri("urn:oid:1.2.3") == "urn:oid:1.2.3"
    assert fhir.uri("urn:oid:1 2") is None


def test_compact_keeps_false_and_zero() -> None:
    assert fhir.compact(a=False, b=0, c=None, d=[], e={}, f="") == {"a": False, "b": 0}


def test_a_period_never_ends_before_it_starts() -> None:
    """Invariant per-1."""
    late, early = datetime(2026, 3, 1, 12, tzinfo=UTC), datetime(2026, 3, 1, 11, tzinfo=UTC)
    assert fhir.period(late, early) == {"start": "2026-03-01T12:00:00+00:00"}
    assert fhir.period(None, early) == {"end": "2026-03-01T11:00:00+00:00"}


def test_narrative_is_escaped() -> None:
    div = fhir.narrative("<script>1 & 2</script>")["div"]
    assert "<p>&lt;script&gt;1 &amp; 2&lt;/script&gt;</p>" in div


def test_what_is_given_may_be_changed() -> None:
    fhir.of_term(ENCOUNTER_CLASS["E"])["coding"][0]["code"] = "changed"
    assert ENCOUNTER_CLASS["E"].code == "EMER"
    assert ADMISSION_TYPE["E"].code == "E"
