"""To which episode a record belongs: its trusted bands, its time, and the episodes there are.

A band identifies an episode only while it is worn, so time is part of the key: a sighting belongs to the
episode of its band whose span, widened by a grace on both sides, holds the event's own time; the nearest,
where two do. Arrival order plays no part.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gateway.linking.evidence import Rules
from gateway.records import CareReport, Finding, How, Sighting, Traffic, Visit


@dataclass(frozen=True, slots=True)
class Span:
    """An episode as far as finding it goes: from its earliest to its latest event."""

    episode: str
    band: str
    first: datetime
    last: datetime

    def apart(self, at: datetime) -> timedelta:
        """How long before its first or after its last event; zero within."""
        return max(self.first - at, at - self.last, timedelta())


@dataclass(frozen=True, slots=True)
class Belongs:
    """The record belongs to this episode; `new_bands` become aliases of it."""

    episode: str
    new_bands: tuple[str, ...]
    elsewhere: tuple[str, ...] = ()  #: other episodes that its further bands already have: a person must look


@dataclass(frozen=True, slots=True)
class Opens:
    """No episode yet: one is opened under these bands, the first being the primary one."""

    bands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NoBand:
    """No trusted band; `prose` are identifiers that stand in free text only, for a person to look at."""

    prose: tuple[str, ...]


Membership = Belongs | Opens | NoBand


def is_mixed(findings: Iterable[Finding]) -> bool:
    """Whether a message that claims to be live names a training band, so that none of its bands can be trusted."""
    return any(each.code == "band-mixed-signals" for each in findings)


def counting(sightings: Iterable[Sighting], traffic: Traffic) -> tuple[Sighting, ...]:
    """Give back the sightings that may count: a training band never does in live traffic, whatever came with it."""
    return tuple(each for each in sightings if not (each.training and traffic is Traffic.LIVE))


def trusted_bands(sightings: Iterable[Sighting]) -> tuple[str, ...]:
    """Give back the identifiers seen in queryable places, most trusted place first, each once."""
    return _bands(s for s in sightings if s.how is not How.FREE_TEXT)


def prose_bands(sightings: Iterable[Sighting]) -> tuple[str, ...]:
    """Give back the identifiers that stand in free text."""
    return _bands(s for s in sightings if s.how is How.FREE_TEXT)


def membership(sightings: Sequence[Sighting], at: datetime, spans: Sequence[Span], rules: Rules) -> Membership:
    """Give back where a record with these sightings belongs.

    `spans` are the episodes that any of its bands has; `at` is the record's own event time.
    """
    bands = trusted_bands(sightings)
    if not bands:
        return NoBand(prose_bands(sightings))
    near = [span for span in spans if span.apart(at) <= rules.episode]
    nearest_last = sorted(near, key=lambda span: (span.apart(at), span.episode), reverse=True)
    found = {span.band: span.episode for span in nearest_last}
    home = next((found[band] for band in bands if band in found), None)
    if home is None:
        return Opens(bands)
    elsewhere = {found[band] for band in bands if band in found} - {home}
    return Belongs(home, tuple(band for band in bands if band not in found), tuple(sorted(elsewhere)))


def ordered_bands(bands: Sequence[str], seen: Iterable[tuple[datetime, Sequence[str]]]) -> tuple[str, ...]:
    """Give back the bands of an episode by the time at which each was first seen; the first is the primary one.

    `seen` has each record's event time and trusted bands; of bands that came at once, the record's own order
    decides. A band that no record names any more comes last.
    """
    first: dict[str, tuple[datetime, int]] = {}
    for at, named in seen:
        for place, band in enumerate(named):
            first[band] = min(first.get(band, (at, place)), (at, place))
    known = sorted((band for band in bands if band in first), key=lambda band: (*first[band], band))
    return (*known, *(band for band in bands if band not in first))


def time_of_report(report: CareReport, received: datetime) -> datetime:
    """Give back the event time of a report: the first contact with the patient, or the nearest time there is."""
    times = report.times
    known = (times.at_patient, times.on_scene, times.arrived, times.handed_over, times.notified, times.back_in_service)
    return next((each for each in known if each is not None), received)


def time_of_visit(visit: Visit, received: datetime) -> datetime:
    """Give back the event time of a visit: its start, or the time of the newest message about it."""
    return visit.started or visit.admission.event_time or visit.admission.message_time or received


def _bands(sightings: Iterable[Sighting]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(s.canonical for s in sightings if s.canonical is not None))
