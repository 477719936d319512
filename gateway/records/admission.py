"""What one admission message says (HL7 v2 chapter 3), and the visit that such messages add up to."""

from datetime import datetime
from enum import StrEnum

from gateway.records.base import Finding, Origin, Record, Traffic
from gateway.records.people import Identifier, Person, Sighting


class Location(Record, frozen=True, kw_only=True):
    """Point of care inside a facility (HL7 v2 PL)."""

    unit: str | None = None
    room: str | None = None
    bed: str | None = None
    facility: str | None = None


class Diagnosis(Record, frozen=True, kw_only=True):
    """A coded diagnosis of an admission message (DG1)."""

    code: str
    system: str | None = None
    text: str | None = None
    type: str | None = None


class Admission(Record, frozen=True, kw_only=True):
    """What one admission message says: an event about a visit, or about a person where it has no visit.

    `trigger` is MSH-9.2. `event_time` orders events (EVN-6, else EVN-2, else MSH-7). `identifiers` is
    the whole PID-3 list as this facility knows the patient, band repetitions included. `quoted_reports`
    are care-report UUIDs or report numbers that the hospital quotes.
    """

    organisation: str
    trigger: str
    control_id: str
    event_time: datetime | None = None
    message_time: datetime | None = None
    version: str = ""
    processing_id: str = ""
    traffic: Traffic = Traffic.LIVE
    visit_number: Identifier | None = None
    alternate_visit: Identifier | None = None
    account: Identifier | None = None
    identifiers: tuple[Identifier, ...] = ()
    patient: Person = Person()
    patient_class: str | None = None
    location: Location | None = None
    previous_location: Location | None = None
    admission_type: str | None = None
    admit_source: str | None = None
    service: str | None = None
    attending: Identifier | None = None
    attending_name: str | None = None
    admitted_at: datetime | None = None
    discharged_at: datetime | None = None
    disposition: str | None = None
    discharged_to: str | None = None
    diagnoses: tuple[Diagnosis, ...] = ()
    quoted_reports: tuple[str, ...] = ()
    merged: tuple[Identifier, ...] = ()
    sightings: tuple[Sighting, ...] = ()
    findings: tuple[Finding, ...] = ()
    origins: dict[str, Origin] = {}


class VisitState(StrEnum):
    """Where a visit stands."""

    EXPECTED = "expected"  #: pre-registered; nobody has arrived
    PRESENT = "present"  #: registered or admitted
    DISCHARGED = "discharged"  #: left, or died
    CANCELLED = "cancelled"  #: as if it had not happened


class Visit(Record, frozen=True, kw_only=True):
    """One stay at one facility, as the newest admission message about it says.

    `key` is the visit number with its authority, else the account, else the person's number and day.
    `admission` is folded from all of them by event time; `state` follows the triggers, as of `state_time`.
    """

    key: str
    organisation: str
    state: VisitState
    admission: Admission
    state_time: datetime | None = None
    started: datetime | None = None
    ended: datetime | None = None
