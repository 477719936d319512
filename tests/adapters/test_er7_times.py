"""Dates and times. Source: HL7 v2, 2A, DTM and TS; the text of MSH-7 for the zone of a message.

The tolerated shapes (three-digit zones, a trailing Z, fillers) are common practice, no source. Clock changes
follow the IANA time zone database for Europe/Oslo and America/New_York.
"""

from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.er7_times import Clock, Precision, read_time, write_time, zone_of
from gateway.errors import GatewayFault

OSLO = ZoneInfo("Europe/Oslo")


@pytest.mark.parametrize(
    ("text", "precision", "date", "iso"),
    [
        ("1961", Precision.YEAR, "1961", "1961-01-01T00:00:00+01:00"),
        ("196106", Precision.MONTH, "1961-06", "1961-06-01T00:00:00+02:00"),
        ("19610615", Precision.DAY, "1961-06-15", "1961-06-15T00:00:00+02:00"),
        ("2024011507", Precision.HOUR, "2024-01-15", "2024-01-15T07:00:00+01:00"),
        ("202401150730", Precision.MINUTE, "2024-01-15", "2024-01-15T07:30:00+01:00"),
        ("20240115073015", Precision.SECOND, "2024-01-15", "2024-01-15T07:30:15+01:00"),
        ("20240115073015.1234", Precision.FRACTION, "2024-01-15", "2024-01-15T07:30:15.123400+01:00"),
        ("20240115073015-0500", Precision.SECOND, "2024-01-15", "2024-01-15T07:30:15-05:00"),
        ("20240115073015.1-500", Precision.FRACTION, "2024-01-15", "2024-01-15T07:30:15.100000-05:00"),
        ("20240115073015Z", Precision.SECOND, "2024-01-15", "2024-01-15T07:30:15+00:00"),
        ("202401150730+05:30", Precision.MINUTE, "2024-01-15", "2024-01-15T07:30:00+05:30"),
        ("20240115+0100", Precision.DAY, "2024-01-15", "2024-01-15T00:00:00+01:00"),
        (" 20240115 ", Precision.DAY, "2024-01-15", "2024-01-15T00:00:00+01:00"),
        ("20240229", Precision.DAY, "2024-02-29", "2024-02-29T00:00:00+01:00"),
    ],
)
def test_times_keep_their_precision_and_zone(text: str, precision: Precision, date: str, iso: str) -> None:
    time = read_time(text, OSLO)
    assert time is not None
    assert time.at is not None
    assert (time.text, time.precision, time.date, time.at.isoformat()) == (text, precision, date, iso)


@pytest.mark.parametrize(
    "text",
    [
        *("", "unknown", '""', "0000", "00000000", "20241", "٢٠٢٤"),
        *("20249115", "20240230", "20230229", "2024011524", "202401150760", "20240115073060", "20240115073015."),
        *("2024-01-15", "20240115T0730", "20240115 0730", "20240115+1900", "20240115+0170"),
        *("00010101+1400", "00010101+0100", "99991231235959-1400"),
    ],
)
def test_what_cannot_be_read_is_none_and_costs_nothing_else(text: str) -> None:
    assert read_time(text, OSLO) is None


def test_without_any_zone_there_is_a_date_but_no_instant() -> None:
    time = read_time("19610615", None)
    assert time is not None
    assert (time.at, time.date, time.has_zone) == (None, "1961-06-15", False)


@pytest.mark.parametrize(
    ("text", "zone", "clock", "offset"),
    [
        ("202410270230", OSLO, Clock.REPEATED, 2),  # the first of the two: still summer time
        ("202403310230", OSLO, Clock.SKIPPED, 1),
        ("202403310330", OSLO, Clock.REGULAR, 2),
        ("20241027", OSLO, Clock.REGULAR, 2),
        ("202410270230+0100", OSLO, Clock.REGULAR, 1),
        ("202411030130", ZoneInfo("America/New_York"), Clock.REPEATED, -4),
    ],
)
def test_local_times_around_a_change_of_the_clock(text: str, zone: tzinfo, clock: Clock, offset: int) -> None:
    time = read_time(text, zone)
    assert time is not None
    assert time.at is not None
    assert (time.clock, time.at.utcoffset()) == (clock, timedelta(hours=offset))


def test_the_zone_of_msh_7_holds_for_the_whole_message() -> None:
    assert zone_of("20260115101500-0500", OSLO) == timezone(timedelta(hours=-5))
    assert zone_of("20260115101500+0000", OSLO) == UTC
    for text in ("20260115101500", "", "later"):
        assert zone_of(text, OSLO) is OSLO


def test_a_time_is_written_with_its_offset() -> None:
    assert write_time(datetime(2026, 1, 15, 10, 15, tzinfo=OSLO)) == "20260115101500+0100"
    assert write_time(datetime(33, 1, 15, 10, 15, tzinfo=UTC)) == "00330115101500+0000"
    with pytest.raises(GatewayFault):
        write_time(datetime(2026, 1, 15))  # noqa: DTZ001


offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@given(st.datetimes(min_value=datetime(2, 1, 1), max_value=datetime(9998, 1, 1), timezones=offsets))  # noqa: DTZ001
def test_write_and_read_are_a_pair(at: datetime) -> None:
    time = read_time(write_time(at), None)
    assert time is not None
    assert time.at == at.replace(microsecond=0)


def test_an_offset_with_seconds_loses_no_second() -> None:
    """Local mean time of the nineteenth century, by the IANA database: Oslo was 43 minutes ahead."""
    at = datetime(1890, 1, 1, 12, tzinfo=OSLO)
    time = read_time(write_time(at), None)
    assert time is not None
    assert time.at == at


@given(st.text(alphabet="0123456789.+-:Z ", max_size=30))
def test_no_text_makes_reading_fail(text: str) -> None:
    read_time(text, OSLO)
    zone_of(text, OSLO)
