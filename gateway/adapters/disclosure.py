"""Which parts of a linked record may be told to anybody, by whichever standard it is told.

* Only records with a standing link count: a held link may be another patient's, a withdrawn one is.
* Content (name, birth date, anything clinical) needs a clinical recipient *and* a confirmed link: the band
  and one independent fact agree. What is left without it: bands, numbers of records, organisations, times.
* A band is recognised in a list of identifiers under whatever issuer a source gave it.
"""

from collections.abc import Iterable, Sequence

from gateway.bands.scheme import Scheme
from gateway.errors import GatewayFault
from gateway.records import (
    Detail,
    Identifier,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    LinkState,
    Sighting,
)


def standing_reports(record: LinkedRecord) -> list[LinkedReport]:
    """Give back the reports whose link stands."""
    return [item for item in record.reports if item.link.state is LinkState.LINKED]


def standing_visits(record: LinkedRecord) -> list[LinkedVisit]:
    """Give back the visits whose link stands."""
    return [item for item in record.visits if item.link.state is LinkState.LINKED]


def shows_content(record: LinkedRecord, item: LinkedReport | LinkedVisit) -> bool:
    """Whether anything but identifiers, organisations and times of this item may be written."""
    return record.detail is Detail.CLINICAL and item.link.confirmed


def newest_first(visits: Iterable[LinkedVisit]) -> list[LinkedVisit]:
    """Give back the visits, that with the newest event first."""
    return sorted(
        visits,
        key=lambda item: item.visit.admission.event_time or item.visit.started or item.link.decided,
        reverse=True,
    )


def get_scheme(band: str, schemes: Iterable[Scheme]) -> Scheme:
    """Give back the scheme whose identifier `band` is. Raises `GatewayFault`: the region file lost a scheme."""
    for scheme in schemes:
        if scheme.find_fault(band) is None:
            return scheme
    raise GatewayFault("a band of the episode belongs to no band scheme of the region")


def names_band(given: Identifier, sightings: Iterable[Sighting], bands: Sequence[str]) -> bool:
    """Whether this identifier of a message is one of the episode's bands, under whatever issuer it came."""
    written = {given.value, given.value + (given.check_digit or "")}
    return not written.isdisjoint(bands) or any(s.raw in written and s.canonical in bands for s in sightings)
