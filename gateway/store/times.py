"""Times as the store keeps them: whole microseconds since 1970-01-01T00:00Z, in a big integer.

One type for both databases that sorts, compares and subtracts exactly. A text column would sort wrongly as
soon as one time had no fraction; a native type does not exist in SQLite, and the drivers would convert it
differently. The offset that a source wrote is not lost: it stays in the sealed record and message.
"""

from datetime import UTC, datetime, timedelta
from typing import overload

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@overload
def to_micros(at: datetime) -> int: ...
@overload
def to_micros(at: datetime | None) -> int | None: ...
def to_micros(at: datetime | None) -> int | None:
    """Give back an aware time as the store keeps it. Raises `TypeError` for a time without zone."""
    return None if at is None else (at - _EPOCH) // _MICROSECOND


@overload
def from_micros(micros: int) -> datetime: ...
@overload
def from_micros(micros: int | None) -> datetime | None: ...
def from_micros(micros: int | None) -> datetime | None:
    """Give back a kept time, in UTC."""
    return None if micros is None else _EPOCH + timedelta(microseconds=micros)
