"""New ids for stored messages: control ids (MSH-10) and report UUIDs, so that a receiver takes them as new.

A report keeps one new UUID for the whole run, and a message that quotes the old one quotes the new one.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime

from gateway.replaying.places import AdmissionText

# The base-32 alphabet of Crockford: its order is that of ASCII, so ids sort as the numbers in them do.
_DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

_REPORT_ID = re.compile(rb"<(?:[\w.-]+:)?PatientCareReport\s(?:[^<>]*\s)?UUID\s*=\s*[\"']([^\"'<>]*)[\"']")
_UUID = re.compile(
    rb"(?<![0-9A-Za-z-])[0-9A-Fa-f]{8}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{12}(?![0-9A-Za-z-])"
)


def control_ids(now: datetime, chance: int) -> Iterator[str]:
    """Give back ever new control ids of 20 characters, the most that MSH-10 holds until 2.6.

    They sort by the time of the run, to the millisecond, then by their order in it. `chance` keeps apart
    runs that began at the same moment; 30 bits of it are used.
    """
    begun, run = _base32(int(now.timestamp() * 1000), 9), _base32(chance, 6)
    number = 0
    while True:
        yield f"{begun}{_base32(number, 5)}{run}"
        number += 1


def _base32(number: int, length: int) -> str:
    return "".join(_DIGITS[number >> 5 * place & 31] for place in reversed(range(length)))


def with_control_id(body: bytes, control_id: str) -> bytes:
    """Give back the message with another MSH-10; one that has none, or cannot be read, stays as it is."""
    found = AdmissionText.find(body)
    if found is None:
        return body
    place = next((each for each in found.fields() if (each.segment, each.field) == ("MSH", 10)), None)
    return found.with_values([(place, control_id)]) if place and place.value else body


def report_ids(body: bytes) -> Iterator[str]:
    """Give back the UUID of each report in a care-report file, in lower case."""
    for match in _REPORT_ID.finditer(body):
        if _UUID.fullmatch(match[1]):
            yield match[1].decode("ascii").lower()


def with_report_ids(body: bytes, replacements: Mapping[str, str]) -> bytes:
    """Give back a message of either kind with these UUIDs replaced, wherever it names or quotes one.

    Keys and values are in lower case; a UUID written in upper case stays in upper case.
    """

    def replaced(match: re.Match[bytes]) -> bytes:
        text = match[0].decode("ascii")
        new = replacements.get(text.lower(), text)
        return (new.upper() if text.isupper() else new).encode("ascii")

    return _UUID.sub(replaced, body)
