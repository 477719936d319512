"""What goes out: who is told what about which episode, and every delivery on its way."""

from datetime import datetime
from enum import StrEnum
from typing import Literal

from gateway.records.admission import Visit
from gateway.records.base import Record
from gateway.records.care_report import CareReport
from gateway.records.decisions import Episode, Link


class Organisation(Record, frozen=True, kw_only=True):
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


class Subscription(Record, frozen=True, kw_only=True):
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


class Delivery(Record, frozen=True, kw_only=True):
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


class LinkedReport(Record, frozen=True, kw_only=True):
    """A care report as part of a linked record."""

    id: str
    report: CareReport
    link: Link
    version: int = 1


class LinkedVisit(Record, frozen=True, kw_only=True):
    """A visit as part of a linked record."""

    id: str
    visit: Visit
    link: Link
    version: int = 1


class LinkedRecord(Record, frozen=True, kw_only=True):
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
