"""Times as people read them. Outside: RFC 3339 section 5.6 for the form; the United States' daylight saving dates
of 2026 (8 March and 1 November) from the IANA time-zone database."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.web.times import ago, clock_time, midnight

CHICAGO = ZoneInfo("America/Chicago")
NOW = datetime(2026, 3, 14, 17, 5, 9, tzinfo=UTC)


def test_a_time_is_told_with_its_offset() -> None:
    assert clock_time(NOW, CHICAGO) == "2026-03-14 12:05:09 -05:00"
    assert clock_time(datetime(2026, 1, 14, 17, 5, 9, tzinfo=UTC), CHICAGO) == "2026-01-14 11:05:09 -06:00"
    assert clock_time(NOW, ZoneInfo("Asia/Kathmandu")) == "2026-03-14 22:50:09 +05:45"


def test_the_two_hours_of_an_autumn_night_are_told_apart() -> None:
    first = datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    assert clock_time(first, CHICAGO) == "2026-11-01 01:30:00 -05:00"
    assert clock_time(first + timedelta(hours=1), CHICAGO) == "2026-11-01 01:30:00 -06:00"


@given(st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2090, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001
def test_what_is_shown_is_the_time_it_stands_for(at: datetime) -> None:
    day, clock, offset = clock_time(at, CHICAGO).split(" ")
    assert datetime.fromisoformat(f"{day}T{clock}{offset}") == at.replace(microsecond=0)


@pytest.mark.parametrize(
    ("passed", "words"),
    [
        (timedelta(0), "just now"),
        (timedelta(seconds=59), "just now"),
        (timedelta(seconds=60), "1 min ago"),
        (timedelta(minutes=59, seconds=59), "59 min ago"),
        (timedelta(hours=2, minutes=5), "2 h 5 min ago"),
        (timedelta(hours=23, minutes=59), "23 h 59 min ago"),
        (timedelta(days=1), "1 day ago"),
        (timedelta(days=40, hours=3), "40 days ago"),
        (timedelta(seconds=-30), "just now"),
        (timedelta(minutes=-2), "in the future: check the clocks"),
    ],
)
def test_how_long_ago(passed: timedelta, words: str) -> None:
    assert ago(NOW - passed, NOW) == words


def test_a_day_begins_at_the_region_s_own_midnight() -> None:
    assert midnight(NOW, CHICAGO) == datetime(2026, 3, 14, 5, tzinfo=UTC)
    assert midnight(datetime(2026, 3, 8, 17, tzinfo=UTC), CHICAGO) == datetime(
        2026, 3, 8, 6, tzinfo=UTC
    )  # before 02:00
    assert midnight(datetime(2026, 3, 14, 4, tzinfo=UTC), CHICAGO) == datetime(2026, 3, 13, 5, tzinfo=UTC)
