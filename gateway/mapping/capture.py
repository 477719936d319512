"""How well one record captures the band, in one word: what `check` reports and coverage counts.

recorded        one identifier, in a queryable place
several         more than one identifier
free-text-only  an identifier, but only in prose
malformed       a place meant for the band holds something that is no band
missing         nothing anywhere
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from gateway.records import How, Sighting


class BandState(StrEnum):
    """How well the band was captured."""

    RECORDED = "recorded"
    FREE_TEXT_ONLY = "free-text-only"
    MALFORMED = "malformed"
    SEVERAL = "several"
    MISSING = "missing"


class Capture(NamedTuple):
    """The state, and the sighting that speaks for the record: the most trusted valid one, else the faulty one."""

    state: BandState
    best: Sighting | None


def capture(sightings: Sequence[Sighting]) -> Capture:
    """Give back how well the band was captured in one record; sightings stand most trusted first."""
    queryable = [each for each in sightings if each.canonical is not None and each.how is not How.FREE_TEXT]
    if queryable:
        several = len({each.canonical for each in queryable}) > 1
        return Capture(BandState.SEVERAL if several else BandState.RECORDED, queryable[0])
    faulty = next((each for each in sightings if each.fault is not None and each.how is not How.FREE_TEXT), None)
    if faulty is not None:
        return Capture(BandState.MALFORMED, faulty)
    prose = next((each for each in sightings if each.canonical is not None), None)
    return Capture(BandState.FREE_TEXT_ONLY, prose) if prose else Capture(BandState.MISSING, None)
