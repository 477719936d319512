"""What came of looking for the band at each place of a mapping: for whoever maps a source and finds no band.

The rules of this file:

* It decides nothing and is never on the way of a message: it looks again at what has been read, and explains.
* Every place is told, in the order of trust, also the one that gave the band.
* A place is named as the mapping has it. What stands there is never said, only of what kind it is.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import ReportDocument
from gateway.adapters.er7_text import Delimiters
from gateway.findings import FINDINGS
from gateway.mapping import admission_bands, report_bands
from gateway.mapping.conversions import text
from gateway.mapping.places import Segments
from gateway.mapping.report_sheet import is_denied
from gateway.mapping.rules import BandPlace, Condition, Presence
from gateway.records import How, Sighting


class Outcome(StrEnum):
    """What came of looking at one place."""

    FOUND = "found"  #: a band
    NO_BAND = "no-band"  #: a place for bands, and what stands there is none
    ALREADY = "already-found"  #: a more trusted place has given what stands there
    ABSENT = "absent"  #: no such segment or element
    EMPTY = "empty"  #: the segment or element is there, and nothing stands in it
    OTHER_AUTHORITY = "other-authority"  #: identifiers, but each under another assigning authority
    CONDITION = "condition"  #: something stands there, and a condition does not hold
    UNLIKE = "nothing-like-a-band"  #: a text, and no band in it


class LookedAt(NamedTuple):
    """One place of the band: where, by which rule and how well recorded there, and what came of it, in words too."""

    place: str
    rule: str
    how: How
    outcome: Outcome
    says: str


class _Unmet(NamedTuple):
    """A condition that does not hold, and whether anything stands where it looks."""

    key: str
    filled: bool


class _Standing(NamedTuple):
    """What stands at one occurrence of a place: where, whether there is any text, and which conditions fail."""

    path: str
    filled: bool
    unmet: tuple[_Unmet, ...]


def search_admission(
    places: Sequence[BandPlace],
    bands: Sequence[admission_bands.BandSpot],
    segments: Segments,
    delimiters: Delimiters,
    sightings: Sequence[Sighting],
) -> tuple[LookedAt, ...]:
    """Give back what came of each place for one patient of an admission message.

    `places` are those of the mapping and `bands` the same compiled; `sightings` is what reading gave.
    """
    search = _Search(sightings)
    return tuple(
        search.conclude(
            place,
            band.rule,
            list(_in_admission(place, band, segments, delimiters)),
            absent=None if band.spot.segment in segments else f"no {band.spot.segment} segment",
        )
        for place, band in zip(places, bands, strict=True)
    )


def search_report(
    places: Sequence[BandPlace],
    bands: Sequence[report_bands.BandSpot],
    document: ReportDocument,
    sightings: Sequence[Sighting],
) -> tuple[LookedAt, ...]:
    """Give back what came of each place of a care report; the arguments as in `search_admission`."""
    search = _Search(sightings)
    found = []
    for place, band in zip(places, bands, strict=True):
        elements = list(_elements(band, document))
        standings = [_in_report(place, band, each, document) for each in elements]
        found.append(search.conclude(place, band.rule, standings, absent=None if elements else "no such element"))
    return tuple(found)


def printed(place: BandPlace) -> str:
    """Give back a place as people read it: `PID-3 where PID-3.4.1 is YFBAND`."""
    at = place.at or f"custom element {place.custom}"
    conditions = " and ".join(f"{key} {_wanted(condition)}" for key, condition in place.where.items())
    return f"{at} where {conditions}" if conditions else at


def _wanted(condition: Condition) -> str:
    if isinstance(condition, Presence):
        return "is filled" if condition.present else "is empty"
    return f"is {condition if isinstance(condition, str) else ' or '.join(condition)}"


# ── what stands where ──────────────────────────────────────────────────────────────────────────────


def _in_admission(
    place: BandPlace, band: admission_bands.BandSpot, segments: Segments, delimiters: Delimiters
) -> Iterator[_Standing]:
    spot = band.spot
    lines = {segment.line: segment for segment in segments.get(spot.segment, ())}
    for raw, path, line in replace(spot, requirements=()).look(segments, delimiters):
        unmet = tuple(
            _Unmet(key, filled=each._replace(codes=None, present=True).holds(spot.field, raw, lines[line]))
            for key, each in zip(place.where, spot.requirements, strict=True)
            if not each.holds(spot.field, raw, lines[line])
        )
        yield _Standing(path, text(raw, delimiters, spot.component, spot.subcomponent) is not None, unmet)


def _elements(band: report_bands.BandSpot, document: ReportDocument) -> Iterable[Element]:
    if band.custom is None:
        return document.element.iter(band.spot.tag)
    known = document.header.find_custom(band.custom) or band.custom
    return [value for each in document.custom_results() if each.element_id == known for value in each.values]


def _in_report(place: BandPlace, band: report_bands.BandSpot, element: Element, document: ReportDocument) -> _Standing:
    attribute = band.spot.attribute
    said = element.get(attribute) if attribute else (None if is_denied(element) else element.text)
    unmet = tuple(
        _Unmet(key, filled=each._replace(codes=None, present=True).holds(element))
        for key, each in zip(place.where, band.spot.requirements, strict=True)
        if not each.holds(element)
    )
    path = document.path_of(element) + (f"/@{attribute}" if attribute else "")
    return _Standing(path, bool(said and said.strip()), unmet)


# ── what to say of it ──────────────────────────────────────────────────────────────────────────────


class _Search:
    """One record being explained, place by place: what was seen goes to the first place that led there."""

    def __init__(self, sightings: Sequence[Sighting]) -> None:
        self._sightings: Mapping[str, Sighting] = {each.path: each for each in reversed(sightings)}
        self._taken: set[str] = set()

    def conclude(self, place: BandPlace, rule: str, standings: Sequence[_Standing], *, absent: str | None) -> LookedAt:
        """Give back what came of a place; `absent` says what is not there at all."""
        if absent is not None:
            return LookedAt(printed(place), rule, place.how, Outcome.ABSENT, absent)
        fitting = [each for each in standings if not each.unmet]
        if fitting or not standings:
            outcome, says = self._judge(fitting, rule, place.how)
        else:
            outcome, says = _explain(place, standings)
        return LookedAt(printed(place), rule, place.how, outcome, says)

    def _find(self, path: str) -> Sighting | None:
        """What was seen there; of a field with components it was the first that was read."""
        return self._sightings.get(path) or self._sightings.get(f"{path}.1")

    def _judge(self, fitting: Sequence[_Standing], rule: str, how: How) -> tuple[Outcome, str]:
        seen = [sighting for each in fitting if (sighting := self._find(each.path)) is not None]
        new = [each for each in seen if (each.rule, each.how) == (rule, how) and each.path not in self._taken]
        if new:
            self._taken.update(each.path for each in new)
            fault = new[0].fault if all(each.fault for each in new) else None
            return (Outcome.NO_BAND, FINDINGS[fault].message) if fault else (Outcome.FOUND, "a band")
        if any(each.path in self._taken for each in seen):
            return Outcome.ALREADY, "found at a place above"
        if any(each.filled for each in fitting):
            return Outcome.UNLIKE, "nothing like a band"
        return Outcome.EMPTY, "empty"


def _explain(place: BandPlace, standings: Sequence[_Standing]) -> tuple[Outcome, str]:
    """Why no occurrence fits: the conditions that fail at every one of them, else all that fail at any."""
    failing: dict[str, list[bool]] = {}
    for standing in standings:
        for key, filled in standing.unmet:
            failing.setdefault(key, []).append(filled)
    everywhere = {key: filled for key, filled in failing.items() if len(filled) == len(standings)}
    if not everywhere:
        return Outcome.CONDITION, f"{' and '.join(failing)} hold nowhere together"
    authority = f"{(place.at or '').partition('.')[0]}.4"
    if all(key.startswith(authority) and any(filled) for key, filled in everywhere.items()):
        outcome = Outcome.OTHER_AUTHORITY
    else:
        outcome = Outcome.CONDITION
    return outcome, " and ".join(f"{key} {_now(place.where[key], filled)}" for key, filled in everywhere.items())


def _now(condition: Condition, filled: Sequence[bool]) -> str:
    if not any(filled):
        return "is empty"
    return "is filled" if isinstance(condition, Presence) else "is something else"
