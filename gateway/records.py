"""The records the house works with, and their states.

Three ideas hold this file together.

* A record is frozen and changed by copy (`msgspec.structs.replace`), so a decision can be tested with
  values alone.
* A record carries plain values; where each came from stands beside them in `origins`, keyed by the
  dotted name of the value (`"patient.birth_date"`, `"vitals[0].heart_rate"`).
* Every time is aware. The text that the source wrote stays in the stored message.

Words are those of the field: care report, admission message, visit, episode, sighting, link, review.
"""

from datetime import datetime
from enum import StrEnum
from typing import Literal, NamedTuple

import msgspec


class Record(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The base of all records: immutable, named arguments only, small when written as JSON."""


# ── where a value came from ────────────────────────────────────────────────────────────────────────


class Origin(NamedTuple):
    """Where one value stood in its message and which rule took it.

    `path` is an HL7 position such as `PID-3[2].1` or an XPath such as
    `/EMSDataSet/Header[1]/PatientCareReport[1]/ePatient/ePatient.17`; `line` counts from 1 (a segment
    is a line); `rule` names the mapping and the rule in it, as `nemsis-3.5: patient.birth_date`.
    """

    path: str
    line: int | None
    rule: str


class How(StrEnum):
    """How a band identifier was recorded at the place where it was seen."""

    IDENTIFIER = "identifier"  #: a field meant for identifiers: queryable, the goal of the programme
    CUSTOM = "custom"  #: a custom element, an OBX or a Z segment: queryable by agreement
    FREE_TEXT = "free-text"  #: prose; never makes a link by itself


class Level(StrEnum):
    """How much a finding matters."""

    ERROR = "error"  #: keeps the record from doing its job; the sender must change something
    WARNING = "warning"  #: works, but will cost somebody a patient one day
    NOTE = "note"  #: worth knowing


class Finding(Record):
    """One thing to say about a message: never a value from it, only a place.

    `code` is stable and listed in `gateway.findings`; `message` and `remedy` are the sentences shown.
    """

    level: Level
    code: str
    message: str
    remedy: str = ""
    path: str = ""
    line: int | None = None


# ── bands and people ───────────────────────────────────────────────────────────────────────────────


class Sighting(Record):
    """One band identifier seen at one place in one message.

    `raw` is what stood there, untouched; `canonical` is the identifier after normalising, or None when
    what stood there is no identifier of a known scheme, and then `fault` holds the finding code.
    `folded` tells that look-alike characters had to be folded, which is suspicious in a scanned value.
    """

    raw: str
    canonical: str | None
    how: How
    path: str
    rule: str
    line: int | None = None
    scheme: str | None = None
    training: bool = False
    folded: bool = False
    fault: str | None = None


class Identifier(Record):
    """An identifier of a person, a visit or a report, with whatever the source said about its issuer.

    `system` is the namespace as a URI once it is known (the region's table of authorities resolves it);
    the other fields are the components of HL7 v2 CX (2A.2.14): `namespace` CX.4.1, `universal_id` CX.4.2,
    `universal_id_type` CX.4.3, `type` CX.5 (table 0203), `facility` CX.6, `start` CX.7 and `end` CX.8 as
    written. `check_digit` (CX.2) and `check_scheme` (CX.3) are kept, never appended to the value.
    """

    value: str
    system: str | None = None
    type: str | None = None
    namespace: str | None = None
    universal_id: str | None = None
    universal_id_type: str | None = None
    check_digit: str | None = None
    check_scheme: str | None = None
    facility: str | None = None
    start: str | None = None
    end: str | None = None


class Sex(StrEnum):
    """Administrative sex, in the words of FHIR administrative-gender."""

    FEMALE = "female"
    MALE = "male"
    OTHER = "other"
    UNKNOWN = "unknown"


class Age(Record):
    """An age as recorded; `estimated` when the source says so. `unit` is a UCUM code: a mo wk d h min."""

    value: int
    unit: str
    estimated: bool = False


class Address(Record):
    """A postal address; `city` may be a name or a GNIS number, as the source wrote it."""

    lines: tuple[str, ...] = ()
    city: str | None = None
    state: str | None = None
    postal_code: str | None = None
    country: str | None = None
    district: str | None = None


class Person(Record):
    """Who the record is about, as far as the record says.

    `birth_date` keeps its precision: `1961-06-15`, `1961-06` or `1961`. `unidentified` is true when the
    source marks the name as a filler (PID-31/PID-32) or the name is one of the region's placeholders
    ("DOE", "UNKNOWN"): such data is never evidence.
    """

    family: str | None = None
    given: str | None = None
    middle: str | None = None
    suffix: str | None = None
    prefix: str | None = None
    birth_date: str | None = None
    sex: Sex | None = None
    age: Age | None = None
    address: Address | None = None
    phones: tuple[str, ...] = ()
    deceased: bool | None = None
    deceased_at: datetime | None = None
    unidentified: bool = False


class Traffic(StrEnum):
    """Live and test traffic never meet: not in an episode, not on a page, not in a figure."""

    LIVE = "live"
    TEST = "test"  #: processing id T or D, a training band, or a feed on trial


# ── what came in ───────────────────────────────────────────────────────────────────────────────────


class Reading(Record):
    """One measurement: `name` as in the vital-sign list of the mapping guide, `value` as written.

    `unit` only where the source carries its own (end-tidal CO2); `negative` is the NEMSIS pertinent
    negative code that stood beside or instead of the value, `missing` its NV code.
    """

    name: str
    value: str | None = None
    unit: str | None = None
    negative: str | None = None
    missing: str | None = None


class VitalSigns(Record):
    """One set of vital signs taken at one time."""

    at: datetime | None = None
    before_unit: bool | None = None
    readings: tuple[Reading, ...] = ()


class Medication(Record):
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


class Procedure(Record):
    """A procedure done, or expressly not done: `negative` holds the pertinent negative code then."""

    code: str
    at: datetime | None = None
    before_unit: bool | None = None
    attempts: int | None = None
    successful: bool | None = None
    complications: tuple[str, ...] = ()
    negative: str | None = None


class Condition(Record):
    """A symptom, impression or complaint; `negative` when the source says it was *not* there.

    `kind` is complaint, symptom, other-symptom, primary-impression or secondary-impression. A complaint
    has `text`, the others an ICD-10-CM `code`.
    """

    kind: str
    code: str | None = None
    text: str | None = None
    negative: str | None = None


class ReportTimes(Record):
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


class CareReport(Record):
    """One crew's report about one patient contact.

    `key` identifies the report: the UUID in lower case, or for reports older than 3.5 the composite of
    agency numbers and report number. `partial` marks a national-elements-only export, which never
    replaces a full one. `quoted` are identifiers of other systems that the report quotes: the receiving
    hospital's number, a patient id, an earlier report.
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


class Location(Record):
    """Point of care inside a facility (HL7 v2 PL)."""

    unit: str | None = None
    room: str | None = None
    bed: str | None = None
    facility: str | None = None


class Diagnosis(Record):
    """A coded diagnosis of an admission message (DG1)."""

    code: str
    system: str | None = None
    text: str | None = None
    type: str | None = None


class Admission(Record):
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


# ── what the house decides ─────────────────────────────────────────────────────────────────────────


class VisitState(StrEnum):
    """Where a visit stands."""

    EXPECTED = "expected"  #: pre-registered; nobody has arrived
    PRESENT = "present"  #: registered or admitted
    DISCHARGED = "discharged"  #: left, or died
    CANCELLED = "cancelled"  #: as if it had not happened


class Visit(Record):
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


class EpisodeState(StrEnum):
    """Whether a band may still gather records."""

    OPEN = "open"
    CLOSED = "closed"


class Episode(Record):
    """All that belongs to one patient under one band, until it closes; `bands[0]` is the primary one."""

    id: str
    state: EpisodeState
    traffic: Traffic
    bands: tuple[str, ...]
    opened: datetime
    closed: datetime | None = None


class RecordKind(StrEnum):
    """The two kinds of record that a link can join to an episode."""

    CARE_REPORT = "care-report"
    VISIT = "visit"


class LinkState(StrEnum):
    """What has been decided about one record and one episode."""

    LINKED = "linked"  #: belongs; see `confirmed` for whether clinical content may follow it
    HELD = "held"  #: something contradicts; nothing clinical moves until a person has answered
    WITHDRAWN = "withdrawn"  #: once linked, no longer so


class Reason(Record):
    """One piece of evidence for or against a link, in a code and in words without a value."""

    code: str
    says: str
    supports: bool = True


class Link(Record):
    """The dated, attributed, reasoned, reversible decision that a record belongs to an episode.

    `confirmed` is the two-identifier rule: the band and at least one independent fact agree.
    """

    id: str
    episode: str
    kind: RecordKind
    record: str
    organisation: str
    state: LinkState
    confirmed: bool
    reasons: tuple[Reason, ...]
    decided: datetime
    decided_by: str = "gateway"


class ReviewState(StrEnum):
    """Whether a person still has to answer."""

    OPEN = "open"
    ANSWERED = "answered"


class Review(Record):
    """A question only a person can answer; `question` is a code of `gateway.linking`, `says` its words."""

    id: str
    state: ReviewState
    question: str
    says: str
    opened: datetime
    traffic: Traffic = Traffic.LIVE
    episode: str | None = None
    records: tuple[tuple[RecordKind, str], ...] = ()


# ── what goes out ──────────────────────────────────────────────────────────────────────────────────


class Organisation(Record):
    """An agency or a facility of the region, with its identifiers in each standard.

    `system` is the URI namespace of the numbers it issues; `namespace`, `universal_id` and
    `universal_id_type` name it as an HL7 v2 HD; `nemsis_number` and `nemsis_state` are dAgency.02
    and dAgency.04; `codes` are the facility codes by which care reports mean it (eDisposition.02).
    """

    id: str
    kind: Literal["agency", "facility"]
    name: str
    system: str | None = None
    namespace: str | None = None
    universal_id: str | None = None
    universal_id_type: str | None = None
    nemsis_number: str | None = None
    nemsis_state: str | None = None
    codes: tuple[str, ...] = ()


class Detail(StrEnum):
    """How much of an episode a recipient is shown."""

    CLINICAL = "clinical"  #: band and an independent fact agree
    IDENTIFIERS = "identifiers-only"  #: band alone


class Topic(StrEnum):
    """What a subscription may be about."""

    RECORDS_LINKED = "records-linked"


class Channel(StrEnum):
    """By which standard a subscriber is told."""

    FHIR_REST_HOOK = "fhir-rest-hook"
    HL7V2_MLLP = "hl7v2-mllp"


class Subscription(Record):
    """One facility's wish to be told about a topic, over one channel; declared in the region file.

    `header` is the name of an HTTP header and where its secret is read from (`env:NAME`, `file:PATH`);
    the v2 fields name the receiver in MSH-5 and MSH-6 and the version it speaks.
    """

    name: str
    organisation: str
    topic: Topic
    channel: Channel
    endpoint: str
    header: tuple[str, str] | None = None
    version: str = "2.5.1"
    receiving_application: str = ""
    receiving_facility: str = ""
    band_type: str = "PNT"
    timeout: float = 30.0


class DeliveryState(StrEnum):
    """One delivery's way; the moves between these are a table in `gateway.routing.delivery`."""

    QUEUED = "queued"  #: waits for its turn
    SENDING = "sending"  #: claimed by a worker until its lease ends
    WAITING = "waiting"  #: was lost; will be sent again at its due time
    DELIVERED = "delivered"  #: the subscriber has taken it
    HELD = "held"  #: the subscriber refused it, or we gave up; a person decides


class Delivery(Record):
    """One notification on its way to one subscriber; the id stays the same however often it is sent."""

    id: str
    subscription: str
    episode: str
    number: int
    state: DeliveryState
    attempts: int
    due: datetime
    created: datetime
    reason: str | None = None
    settled: datetime | None = None


class LinkedReport(Record):
    """A care report as part of a linked record."""

    id: str
    report: CareReport
    link: Link
    version: int = 1


class LinkedVisit(Record):
    """A visit as part of a linked record."""

    id: str
    visit: Visit
    link: Link
    version: int = 1


class LinkedRecord(Record):
    """Everything one recipient is to be told about one episode, already cut to what it may see.

    `recipient` is the organisation it is written for; with `detail` identifiers-only the reports carry no
    clinical content when written. `band` is the primary identifier; `others` are aliases.
    """

    episode: Episode
    recipient: str
    detail: Detail
    reports: tuple[LinkedReport, ...]
    visits: tuple[LinkedVisit, ...]
    version: int = 1
