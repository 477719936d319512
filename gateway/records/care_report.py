"""What one crew's report says about one patient contact (NEMSIS v3 EMS data set)."""

from datetime import datetime

from gateway.records.base import Finding, Origin, Record, Traffic
from gateway.records.people import Identifier, Person, Sighting


class Reading(Record, frozen=True, kw_only=True):
    """One measurement: `name` as in the vital-sign list of the mapping guide, `value` as written.

    `unit` only where the source carries its own (end-tidal CO2); `negative` is the NEMSIS pertinent
    negative code that stood beside or instead of the value, `missing` its NV code.
    """

    name: str
    value: str | None = None
    unit: str | None = None
    negative: str | None = None
    missing: str | None = None


class VitalSigns(Record, frozen=True, kw_only=True):
    """One set of vital signs taken at one time."""

    at: datetime | None = None
    before_unit: bool | None = None
    readings: tuple[Reading, ...] = ()


class Medication(Record, frozen=True, kw_only=True):
    """A drug given, or expressly not given: `negative` holds the pertinent negative code then."""

    code: str
    code_system: str | None = None
    at: datetime | None = None
    before_unit: bool | None = None
    route: str | None = None
    dose: str | None = None
    dose_unit: str | None = None
    response: str | None = None
    complications: tuple[str, ...] = ()
    performer_role: str | None = None
    negative: str | None = None


class Procedure(Record, frozen=True, kw_only=True):
    """A procedure done, or expressly not done: `negative` holds the pertinent negative code then."""

    code: str
    at: datetime | None = None
    before_unit: bool | None = None
    attempts: int | None = None
    successful: bool | None = None
    complications: tuple[str, ...] = ()
    negative: str | None = None


class Condition(Record, frozen=True, kw_only=True):
    """A symptom, impression or complaint; `negative` when the source says it was *not* there.

    `kind` is complaint, symptom, other-symptom, primary-impression or secondary-impression. A complaint
    has `text`, the others an ICD-10-CM `code`.
    """

    kind: str
    code: str | None = None
    text: str | None = None
    negative: str | None = None


class ReportTimes(Record, frozen=True, kw_only=True):
    """The eTimes of one unit's run; see the NEMSIS dictionary for each."""

    called: datetime | None = None
    notified: datetime | None = None
    en_route: datetime | None = None
    on_scene: datetime | None = None
    at_patient: datetime | None = None
    left_scene: datetime | None = None
    arrived: datetime | None = None
    handed_over: datetime | None = None
    back_in_service: datetime | None = None


class CareReport(Record, frozen=True, kw_only=True):
    """One crew's report about one patient contact.

    `key` identifies the report: the UUID in lower case, or for reports older than 3.5 the composite of
    agency numbers and report number. `partial` marks a national-elements-only export, which never
    replaces a full one. `quoted` are identifiers of other systems that the report quotes: the receiving
    hospital's number, a patient id, an earlier report. `from_partial` names the values of a full report that
    only a partial export has said so far.
    """

    key: str
    number: str
    organisation: str
    uuid: str | None = None
    version: str = ""
    partial: bool = False
    traffic: Traffic = Traffic.LIVE
    agency_number: str | None = None
    agency_state: str | None = None
    agency_name: str | None = None
    incident_number: str | None = None
    response_number: str | None = None
    unit: str | None = None
    service: str | None = None
    patient_contact: bool = True
    patient: Person = Person()
    patient_identifiers: tuple[Identifier, ...] = ()
    quoted: tuple[Identifier, ...] = ()
    times: ReportTimes = ReportTimes()
    destination: str | None = None
    destination_code: str | None = None
    destination_name: str | None = None
    transport: str | None = None
    mass_casualty: bool | None = None
    triage: str | None = None
    initial_acuity: str | None = None
    final_acuity: str | None = None
    conditions: tuple[Condition, ...] = ()
    vitals: tuple[VitalSigns, ...] = ()
    medications: tuple[Medication, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    narrative: str | None = None
    sightings: tuple[Sighting, ...] = ()
    findings: tuple[Finding, ...] = ()
    origins: dict[str, Origin] = {}
    from_partial: tuple[str, ...] = ()
