"""Whose the numbers of an admission record are, once all have been read: what nobody knows is told.

A number is a key only together with its issuer. The rules of this file:

* A number that no row of the feed's table resolves is kept, and told once for each field, at the first such number.
* A band is known by its scheme, so a repetition that was looked into as a band needs no issuer.
* Where a row by type alone gave the issuer, which the message did not, the origin of the issuer says so.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from msgspec.structs import replace

from gateway.findings import finding
from gateway.mapping.admission_values import IMPLIED_TYPES, Case, lacks_issuer
from gateway.records import How, Identifier, Origin, Sighting

#: The values of an admission record that are keys; the number of a doctor or nurse is none of ours.
NUMBERS = ("visit_number", "alternate_visit", "account")
LISTS = ("identifiers", "merged")

_COUNTS = re.compile(r"\[\d+\]")


def note_issuers(
    case: Case, numbers: Mapping[str, Any], lists: Mapping[str, Any], sightings: Sequence[Sighting]
) -> None:
    """Add to the case what there is to say about the issuers of the record's single numbers and lists of them."""
    unknown: list[Origin] = []
    for name, number in _without_issuer(numbers, lists):
        if number.system is None:
            unknown.append(case.origins[name])
        else:
            known_by = number.type or IMPLIED_TYPES.get(name)
            rule = f"feed {case.source.feed}: authorities {{type: {known_by}}}"
            case.origins[f"{name}.system"] = replace(case.origins[name], rule=rule)
    if unknown:
        _tell(case, unknown, sightings)


def _without_issuer(numbers: Mapping[str, Any], lists: Mapping[str, Any]) -> Iterator[tuple[str, Identifier]]:
    """The numbers whose issuer nobody knows or the message does not name, each by its name among the origins."""
    for name in NUMBERS:
        number = numbers.get(name)
        if number is not None and lacks_issuer(number):
            yield name, number
    for name in LISTS:
        for index, number in enumerate(lists.get(name, ())):
            if lacks_issuer(number):
                yield f"{name}[{index}]", number


def _tell(case: Case, unknown: Sequence[Origin], sightings: Sequence[Sighting]) -> None:
    bands = {(_repetition(each.path), each.line) for each in sightings if each.how is not How.FREE_TEXT}
    told: set[str] = set()
    for origin in unknown:
        field = _field(origin.path)
        if field not in told and not (bands and (_repetition(origin.path), origin.line) in bands):
            told.add(field)
            case.findings.append(finding("authority-unknown", path=origin.path, line=origin.line))


def _repetition(path: str) -> str:
    """The repetition in which something stands: a band is read from the first component, as `PID-3[2].1`."""
    return path.removesuffix(".1")


@lru_cache(maxsize=1024)  # a feed has its numbers in a few places
def _field(path: str) -> str:
    """The field in which something stands, whichever repetition and part: `PID-3[2].1` is in `PID-3`."""
    return _COUNTS.sub("", path).partition(".")[0]
