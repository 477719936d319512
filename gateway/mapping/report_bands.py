"""The bands of a care report: every place the mapping names, in its order of trust.

All sightings are kept, the one in a field of its own and the same one in the narrative; but an element that a
place has already given a sighting for is not told twice by the next place.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import CustomResult, line_of
from gateway.bands import scan
from gateway.bands.scan import Band, NotABand
from gateway.bands.scheme import Scheme
from gateway.mapping.report_places import Spot, compile_spot
from gateway.mapping.report_sheet import Case, Sheet, is_denied
from gateway.mapping.rules import BandPlace
from gateway.mapping.sightings import ALMOST_A_BAND, sight
from gateway.records import How, Sighting

CUSTOM_VALUE = "eCustomResults/eCustomResults.ResultsGroup/eCustomResults.01"


class BandSpot(NamedTuple):
    """One place of the band, compiled; `custom` names a custom element, `for_bands_only` as in `BandPlace`."""

    spot: Spot
    custom: str | None
    rule: str
    how: How
    for_bands_only: bool
    scheme: str | None


class Bands(NamedTuple):
    """What was seen, best place first, and the elements that hold a band."""

    sightings: tuple[Sighting, ...]
    elements: frozenset[Element]


def compile_band(mapping: str, place: BandPlace) -> BandSpot:
    """Give back the compiled place of a checked mapping of care reports."""
    spot = compile_spot(place.at or CUSTOM_VALUE, place.where)
    rule = f"{mapping}: band at {place.at or place.custom}"
    return BandSpot(spot, place.custom, rule, place.how, place.for_bands_only, place.scheme)


def look_for_bands(bands: Sequence[BandSpot], report: Sheet) -> Bands:
    """Give back every sighting of the report."""
    sightings: list[Sighting] = []
    seen: set[Element] = set()
    holding: set[Element] = set()
    for band in bands:
        for element in _elements(band, report):
            new = () if element in seen or not band.spot.fits(element) else _look_at(band, element, report.case)
            if new:
                seen.add(element)
                sightings += new
                if band.how is not How.FREE_TEXT and new[0].canonical:
                    holding.add(element)
    return Bands(tuple(sightings), frozenset(holding))


def _elements(band: BandSpot, report: Sheet) -> Iterator[Element]:
    if band.custom is None:
        yield from report.elements(band.spot.tag)
        return
    for result in _custom_results(band.custom, report.case):
        for value in result.values:
            if result.definition is None:
                report.case.tell("report-custom-undefined", value)
            yield value


def _custom_results(custom: str, case: Case) -> list[CustomResult]:
    """The results of a custom element, which the file knows by the same id, or by another under that title."""
    known = case.document.header.find_custom(custom) or custom
    return [result for result in case.document.custom_results() if result.element_id == known]


def _look_at(band: BandSpot, element: Element, case: Case) -> Sequence[Sighting]:
    attribute = band.spot.attribute
    raw = (element.text if attribute is None else element.get(attribute)) or ""
    if not raw.strip() or (attribute is None and is_denied(element)):
        return ()
    schemes: Sequence[Scheme] = case.source.schemes
    if band.scheme is not None:
        schemes = tuple(scheme for scheme in schemes if scheme.name == band.scheme)
    found = _bands_in(raw, band, schemes)
    if not found:
        return ()
    path = case.document.path_of(element) + ("" if attribute is None else f"/@{attribute}")
    return [sight(*each, how=band.how, path=path, line=line_of(element), rule=band.rule) for each in found]


def _bands_in(raw: str, band: BandSpot, schemes: Sequence[Scheme]) -> list[tuple[str, Band | NotABand]]:
    if band.how is How.FREE_TEXT:
        return [(raw[start:end], read) for start, end, read in scan.find_in_text(raw, schemes)]
    read = scan.read(raw, schemes)
    told = isinstance(read, Band) or band.for_bands_only or read.code in ALMOST_A_BAND
    return [(raw, read)] if told else []
