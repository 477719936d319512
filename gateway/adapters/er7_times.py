"""HL7 v2 dates and times (TS, DTM): `YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]` (HL7 v2 2A, DTM).

The rules:

* The precision is kept: `20240101` is a day, not midnight.
* A zone in the value wins; without one it is the sender's local time, in the zone the caller gives.
* What cannot be read is None: a bad date costs the date, not the message. Tolerated are zones of three
  digits, a trailing `Z` and a colon in the zone, all met in practice.
"""

import re
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from enum import Enum, IntEnum
from functools import lru_cache
from typing import NamedTuple

from gateway.errors import GatewayFault


class Precision(IntEnum):
    """How much of a time was written; comparable, finer is greater."""

    YEAR = 1
    MONTH = 2
    DAY = 3
    HOUR = 4
    MINUTE = 5
    SECOND = 6
    FRACTION = 7


class Clock(Enum):
    """Whether a local time without offset can be trusted on a day of a clock change."""

    REGULAR = "regular"
    REPEATED = "repeated"  #: happened twice that day; the first is taken
    SKIPPED = "skipped"  #: never happened; read as if the clock had not been changed yet


class Time(NamedTuple):
    """One date or time as it was written, and as the instant at which it begins.

    `date` is ISO 8601 cut to the precision (`1961-06-15`, `1961-06`, `1961`). `at` is aware, or None when
    neither the value nor the caller knew the zone; for a day, month or year it is the first instant.
    `has_zone` tells that the offset stood in the value.
    """

    text: str
    precision: Precision
    date: str
    at: datetime | None
    has_zone: bool
    clock: Clock = Clock.REGULAR


_FORM = re.compile(r"(\d{4,14})(\.\d{1,9})?(Z|[+-]\d\d?:?\d\d)?", re.ASCII)
_PRECISIONS = {digits: Precision(digits // 2 - 1) for digits in (4, 6, 8, 10, 12, 14)}
_WRITTEN = {4: 4, 6: 7}  # how much of an ISO date those digits are; more than six are all of it
_MIDNIGHT = "24"  # as an hour it is none of the standard's, whatever a library makes of it
_EDGES = {1, 9999}  # the store keeps UTC; the first hours of year 1 and the last of 9999 may have none


def read_time(text: str, zone: tzinfo | None) -> Time | None:
    """Give back the time that `text` says (one component, not the whole TS), or None when it cannot be read.

    `zone` is that of the sender (see `zone_of`); it counts only where the value has none of its own.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        return None
    digits, fraction, offset = match.groups()
    precision = _precision(digits, fraction)
    own = _offset(offset) if offset else None
    if precision is None or (offset and own is None):
        return None
    used = own or zone
    try:
        day = date.fromisoformat((digits + "0101"[len(digits) - 4 :])[:8])
        at = datetime.combine(day, time.fromisoformat((digits[8:] or "00") + (fraction or "")), used or UTC)
        if day.year in _EDGES:
            at.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    written = day.isoformat()[: _WRITTEN.get(len(digits), 10)]
    clock = _clock(at) if own is None and zone is not None and precision >= Precision.HOUR else Clock.REGULAR
    return Time(text, precision, written, at if used else None, own is not None, clock)


def _precision(digits: str, fraction: str | None) -> Precision | None:
    """How much was written; None for what is no form of the standard."""
    if digits[8:10] == _MIDNIGHT:
        return None
    if fraction:
        return Precision.FRACTION if len(digits) == 14 else None
    return _PRECISIONS.get(len(digits))


def zone_of(message_time: str, default: tzinfo) -> tzinfo:
    """Give back the zone of a message's times: that of MSH-7, which holds for the whole message, else `default`."""
    match = _FORM.fullmatch(message_time.strip())
    return (match and match[3] and _offset(match[3])) or default


def write_time(at: datetime) -> str:
    """Give back the time to the second with its offset. Raises `GatewayFault` for a time without zone."""
    offset = at.utcoffset()
    if offset is None:
        raise GatewayFault("a time to send has no zone")
    if offset % timedelta(minutes=1):
        at = at.astimezone(UTC)
        offset = timedelta()
    day = f"{at.year:04}{at.month:02}{at.day:02}"
    return f"{day}{at.hour:02}{at.minute:02}{at.second:02}{_written_offset(offset)}"


@lru_cache(maxsize=128)
def _written_offset(offset: timedelta) -> str:
    minutes = offset // timedelta(minutes=1)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}{abs(minutes) % 60:02}"


@lru_cache(maxsize=128)
def _offset(text: str) -> timezone | None:
    """The zone of `+0100`, `-500`, `+01:00` or `Z`; None for one that no place on earth has."""
    if text == "Z":
        return UTC
    digits = text[1:].replace(":", "").zfill(4)
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        return None
    ahead = timedelta(hours=hours, minutes=minutes)
    return timezone(-ahead if text.startswith("-") else ahead)


def _clock(at: datetime) -> Clock:
    """Compare both readings of a local time (PEP 495): they differ only around a change of the clock."""
    if at.tzinfo is None or not _may_change(at.tzinfo, at.date()):
        return Clock.REGULAR
    before, after = at.utcoffset(), at.replace(fold=1).utcoffset()
    if before == after or before is None or after is None:
        return Clock.REGULAR
    return Clock.REPEATED if before > after else Clock.SKIPPED


@lru_cache(maxsize=1024)  # the messages of one day fall on few days
def _may_change(zone: tzinfo, day: date) -> bool:
    """Whether any hour of a day has two readings; no clock of our time changes by less than a quarter of an hour."""
    return any(
        zone.utcoffset(moment) != zone.utcoffset(moment.replace(fold=1))
        for moment in (datetime.combine(day, time(hour, minute)) for hour in range(24) for minute in (0, 15, 30, 45))
    )
