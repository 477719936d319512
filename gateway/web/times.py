"""Times in words for people: in the region's zone, always with the offset, and how long ago.

A clock time without an offset is ambiguous for an hour each autumn, and for whoever looks on from another
zone all year; so it is never shown.
"""

from datetime import datetime, timedelta, tzinfo

_MINUTE, _HOUR, _DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def clock_time(at: datetime, zone: tzinfo) -> str:
    """Give back a time as `2026-03-14 12:05:09 -05:00` (the forms of RFC 3339, section 5.6, spaced to be read)."""
    local = at.astimezone(zone)
    offset = f"{local:%z}"
    return f"{local:%Y-%m-%d %H:%M:%S} {offset[:3]}:{offset[3:5]}"


def ago(at: datetime, now: datetime) -> str:
    """Give back how long ago, in the two largest units that matter: `2 h 5 min ago`."""
    passed = now - at
    if passed < _MINUTE:
        return "just now" if passed > -_MINUTE else "in the future: check the clocks"
    if passed < _HOUR:
        return f"{passed // _MINUTE} min ago"
    if passed < _DAY:
        return f"{passed // _HOUR} h {passed % _HOUR // _MINUTE} min ago"
    days = passed // _DAY
    return f"{days} {'day' if days == 1 else 'days'} ago"


def midnight(now: datetime, zone: tzinfo) -> datetime:
    """Give back when the day of `now` began in the zone."""
    return now.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
