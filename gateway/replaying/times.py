"""All times of stored messages moved by one amount, each written where it stood.

The rules:

* All move by the same amount, so what was an hour apart stays an hour apart. Times with an offset move by
  their own clock; times without one are instants of a zone, so a change of the clock between moves none.
* A value keeps its precision, its offset and its fraction of a second. One coarser than the amount (a
  minute, a day) moves by the amount rounded to its own unit.
* What cannot be read as a time stays as it is: it may be there to be found by the receiver.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo

from gateway.adapters.er7_times import Precision, read_time
from gateway.errors import UsageFault
from gateway.replaying.places import DATING, AdmissionText

# Every date and time of the EMS data set is the whole content of an element, in the one form that the
# schema's DateTimeType allows; its plain dates are all birth dates (ePatient.17, ePayment.60) and stay.
_REPORT_TIME = re.compile(
    rb"""
    <!--.*?(?:-->|\Z)  |  <!\[CDATA\[.*?(?:\]\]>|\Z)
    | <(?P<name>[^\s<>/!?]+) (?>[^<>"']+|"[^"]*"|'[^']*')*+ >  (?>\s+|<!--.*?-->)*+
      (?P<time>\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)  (?:\.\d+)?  (?P<offset>Z|[+-]\d\d:\d\d)?
      (?= (?>\s+|<!--.*?-->)*+ </ )
    """,
    re.DOTALL | re.VERBOSE,
)

_MEAN_MONTH = timedelta(days=365.2425 / 12)  # of the Gregorian calendar
_SECOND = timedelta(seconds=1)

#: Precision → its unit, and how many digits of an HL7 v2 time are the date and the clock.
_UNITS: dict[Precision, tuple[timedelta, int]] = {
    Precision.YEAR: (12 * _MEAN_MONTH, 4),
    Precision.MONTH: (_MEAN_MONTH, 6),
    Precision.DAY: (timedelta(days=1), 8),
    Precision.HOUR: (timedelta(hours=1), 10),
    Precision.MINUTE: (timedelta(minutes=1), 12),
    Precision.SECOND: (_SECOND, 14),
    Precision.FRACTION: (_SECOND, 14),
}


def earliest_of_admission(body: bytes, zone: tzinfo) -> datetime | None:
    """Give back the earliest time that dates an HL7 v2 message, in UTC, or None when nothing does.

    `zone` holds for times without one. A day without an hour does not count: it begins before everything.
    """
    found = AdmissionText.find(body)
    if found is None:
        return None
    zone = found.zone(zone)
    times = (read_time(each.value, zone) for each in found.times() if (each.segment, each.field) in DATING)
    return _earliest(time.at for time in times if time and time.precision >= Precision.HOUR)


def earliest_of_report(body: bytes, zone: tzinfo) -> datetime | None:
    """Give back the earliest time of a run (eTimes) in a care-report file, to the second and in UTC, or None."""
    runs = (match for match in _REPORT_TIME.finditer(body) if (match["name"] or b"").startswith(b"eTimes."))
    return _earliest(_report_time(match, zone) for match in runs)


def _earliest(times: Iterable[datetime | None]) -> datetime | None:
    # In UTC, because Python compares and subtracts two times of one zone by the digits of its clock.
    return min((time.astimezone(UTC) for time in times if time), default=None)


def shift_admission(body: bytes, shift: timedelta, zone: tzinfo) -> bytes:
    """Give back the HL7 v2 message with its times moved; one that cannot be read stays as it is.

    `zone` holds for times without one. Raises `UsageFault` when a time would leave the calendar.
    """
    found = AdmissionText.find(body)
    if found is None:
        return body
    zone = found.zone(zone)
    return found.with_values([(each, _shifted(each.value, shift, zone)) for each in found.times()])


def shift_report(body: bytes, shift: timedelta, zone: tzinfo) -> bytes:
    """Give back the care-report file with its times moved.

    `zone` holds for times without one. Raises `UsageFault` when a time would leave the calendar.
    """
    whole = _rounded(shift, _SECOND)

    def moved(match: re.Match[bytes]) -> bytes:
        time = _report_time(match, zone)
        if time is None:
            return match[0]
        written = _moved(time, whole, None if match["offset"] else zone)
        start, end = match.start("time") - match.start(), match.end("time") - match.start()
        return match[0][:start] + written.replace(tzinfo=None).isoformat().encode("ascii") + match[0][end:]

    return _REPORT_TIME.sub(moved, body)


def _report_time(match: re.Match[bytes], zone: tzinfo) -> datetime | None:
    """The time to the second, aware; None for a comment and for what stands in no calendar."""
    if match["time"] is None:
        return None
    text, offset = match["time"].decode("ascii"), (match["offset"] or b"").decode("ascii")
    # 24:00:00 is midnight at the end of that day (XML Schema part 2, 3.2.7).
    extra_day = timedelta(days=text.endswith("T24:00:00"))
    try:
        time = datetime.fromisoformat(text.replace("T24:00:00", "T00:00:00") + offset) + extra_day
        aware = time if offset else time.replace(tzinfo=zone)
        aware.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return aware


def _shifted(value: str, shift: timedelta, zone: tzinfo) -> str:
    time = read_time(value, zone)
    if time is None or time.at is None:
        return value
    unit, width = _UNITS[time.precision]
    if time.precision <= Precision.MONTH:
        moved = _months_on(time.at, round(shift / unit) * (12 if time.precision is Precision.YEAR else 1))
    else:
        # A day has no clock that could be changed, so it counts in days of the calendar.
        is_local = not time.has_zone and time.precision >= Precision.HOUR
        moved = _moved(time.at, _rounded(shift, unit), zone if is_local else None)
    start = len(value) - len(value.lstrip())
    return value[:start] + f"{moved.year:04d}{moved:%m%d%H%M%S}"[:width] + value[start + width :]


def _rounded(shift: timedelta, unit: timedelta) -> timedelta:
    return round(shift / unit) * unit


def _moved(time: datetime, shift: timedelta, zone: tzinfo | None) -> datetime:
    """Move a time: as an instant that is read by the clock of `zone`, or by the time's own clock without."""
    try:
        return time + shift if zone is None else (time.astimezone(UTC) + shift).astimezone(zone)
    except OverflowError as error:
        raise _out_of_calendar() from error


def _months_on(time: datetime, months: int) -> datetime:
    year, month = divmod(time.year * 12 + time.month - 1 + months, 12)
    if not 1 <= year <= 9999:
        raise _out_of_calendar()
    return time.replace(year=year, month=month + 1, day=1)


def _out_of_calendar() -> UsageFault:
    return UsageFault("--shift-to: a time would leave the calendar; choose one nearer to the messages' own times")
