"""The bands of an admission message: every place the mapping names, in its order of trust.

All sightings are kept, the one in a field of its own and the same one in a note; but a repetition that a
place has already given a sighting for is not told twice by the next place.
"""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.adapters.er7_text import Delimiters
from gateway.bands import scan
from gateway.bands.scan import Band, NotABand
from gateway.bands.scheme import Scheme
from gateway.mapping.admission_values import Case
from gateway.mapping.conversions import text
from gateway.mapping.places import Found, Spot, compile_place
from gateway.mapping.rules import BandPlace
from gateway.mapping.sightings import ALMOST_A_BAND, sight, sight_in_text
from gateway.records import How, Sighting


class BandSpot(NamedTuple):
    """One place of the band, compiled; `for_bands_only` as in `BandPlace`."""

    spot: Spot
    rule: str
    how: How
    for_bands_only: bool
    scheme: str | None


def compile_band(mapping: str, place: BandPlace) -> BandSpot:
    """Give back the compiled place of a checked mapping of admissions."""
    spot = compile_place(place.at or "", place.where)
    return BandSpot(spot, f"{mapping}: band at {place.at}", place.how, place.for_bands_only, place.scheme)


def look_for_bands(bands: Sequence[BandSpot], case: Case) -> list[Sighting]:
    """Give back every sighting of the message, best place first."""
    sightings: list[Sighting] = []
    seen: set[str] = set()
    for band in bands:
        for found in band.spot.look(case.segments, case.delimiters):
            new = _sight(band, found, case) if found[1] not in seen else ()
            if new:
                seen.add(found[1])
                sightings += new
    return sightings


def _sight(band: BandSpot, found: Found, case: Case) -> Sequence[Sighting]:
    spot, (raw, path, line) = band.spot, found
    schemes = case.source.schemes
    if band.scheme is not None:
        schemes = tuple(scheme for scheme in schemes if scheme.name == band.scheme)
    if band.how is How.FREE_TEXT:
        return sight_in_text(_prose(spot, raw, case), schemes, path=path, line=line, rule=band.rule)
    said, read = _read(spot, raw, case.delimiters, schemes)
    if isinstance(read, NotABand) and not (said and (band.for_bands_only or read.code in ALMOST_A_BAND)):
        return ()
    if spot.whole and case.delimiters.component in raw:
        path += ".1"  # of a composite it is the first component that was read
    return (sight(said, read, how=band.how, path=path, line=line, rule=band.rule),)


def _read(spot: Spot, raw: str, delimiters: Delimiters, schemes: Sequence[Scheme]) -> tuple[str, Band | NotABand]:
    """What stands there, and what it is; some systems cut the check character off into CX.2 (2A.2.14)."""
    said = text(raw, delimiters, spot.component, spot.subcomponent) or ""
    read = scan.read(said, schemes)
    check = text(raw, delimiters, 2) if isinstance(read, NotABand) and said and spot.whole else None
    if check:
        joined = scan.read(said + check, schemes)
        if isinstance(joined, Band):
            return said + check, joined
    return said, read


def _prose(spot: Spot, raw: str, case: Case) -> str:
    """A field of prose is taken whole: senders forget to escape delimiters in it (common practice)."""
    if not spot.whole:
        return text(raw, case.delimiters, spot.component, spot.subcomponent) or ""
    return case.delimiters.unescape_formatted(raw, codec=case.message.codec)
