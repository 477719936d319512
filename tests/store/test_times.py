"""Times as the store keeps them."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.store.times import from_micros, to_micros

AWARE = st.datetimes(timezones=st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m)))).filter(
    lambda at: datetime(2, 1, 1, tzinfo=UTC) < at < datetime(9999, 1, 1, tzinfo=UTC)
)


def test_a_published_moment() -> None:
    """POSIX.1-2017, Base Definitions, section 4.16: seconds since the Epoch; 86400 a day."""
    assert to_micros(datetime(1970, 1, 2, tzinfo=UTC)) == 86_400_000_000
    assert from_micros(0) == datetime(1970, 1, 1, tzinfo=UTC)


@given(AWARE)
def test_kept_and_given_back(at: datetime) -> None:
    """The rule of the module: exact to the microsecond, whatever the offset."""
    assert from_micros(to_micros(at)) == at
    assert from_micros(to_micros(at)).tzinfo is UTC


@given(AWARE, AWARE)
def test_the_order_is_that_of_the_moments(first: datetime, second: datetime) -> None:
    """The rule of the module: kept times sort as the moments do."""
    assert (to_micros(first) < to_micros(second)) == (first < second)


def test_none_stays_none() -> None:
    assert to_micros(None) is None
    assert from_micros(None) is None


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(TypeError):
        to_micros(datetime(2031, 5, 6))  # noqa: DTZ001  that is the point
