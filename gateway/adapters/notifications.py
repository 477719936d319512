"""One subscription notification: everything a recipient is to be told about one episode, as a history Bundle.

The shape is that of the Subscriptions R5 Backport guide for R4, payload `full-resource`: a Parameters
resource with the status and the event's number, then every resource with its request and response.

* The focus is the Patient. What the topic reports is that records were joined to one patient; the Patient is
  there in every notification of an episode, always under the same address, and its identifiers are what a
  receiver matches on. Encounters and care records are the additional context.
* A bundle is closed: every reference is absolute and leads to an entry of the same bundle, or is a logical
  one with words or an identifier. Codes, topics and the subscription itself are the only outside addresses.
* The same arguments give the same bundle, byte for byte: a repeated delivery can be recognised.
* Exercises are marked: every resource of test traffic carries the security label HTEST.

Sources: HL7 Subscriptions R5 Backport; FHIR R4 4.0.1 Bundle (invariants bdl-3, bdl-4, bdl-7), Provenance.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from gateway.adapters.disclosure import shows_content, standing_reports, standing_visits
from gateway.adapters.fhir import Publisher, organization, patient
from gateway.adapters.fhir_codes import LIFECYCLE, PROVENANCE_AGENT
from gateway.adapters.fhir_elements import (
    Json,
    coding,
    compact,
    concept,
    moment,
    resource_id,
    text,
)
from gateway.adapters.fhir_reports import composition_id, report_identifier, report_resources
from gateway.adapters.fhir_visits import visit_resources
from gateway.records import (
    Link,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    Record,
    Sighting,
    Topic,
    Traffic,
)

BACKPORT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"

_CONTEXT = ("Encounter", "Composition")

#: "Test health data" of v3-ActReason, the security label for it; from memory.
_TEST_LABEL = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}


class Occasion(Record, frozen=True, kw_only=True):
    """Which event of which subscription a notification tells, and when it was told.

    `bundle_id` stays the same however often the notification is sent. `number` is the event's own number in
    its subscription and `total` how many events there have been; while all goes well they are equal.
    `subscription` is the subscription's id.
    """

    bundle_id: str
    subscription: str
    topic: Topic
    number: int
    total: int
    timestamp: datetime


def notification(record: LinkedRecord, occasion: Occasion, publisher: Publisher) -> Json:
    """Give back the Bundle that tells `record`.

    Raises `GatewayFault` when a band belongs to no scheme that `publisher` knows.
    """
    resources = _resources(record, publisher)
    if record.episode.traffic is Traffic.TEST:
        resources = [_labelled(resource) for resource in resources]
    status = _status(record, resources, occasion, publisher)
    bundle = {
        "resourceType": "Bundle",
        "id": resource_id(occasion.bundle_id),
        "meta": {"profile": [f"{BACKPORT}/backport-subscription-notification-r4"]},
        "type": "history",
        "timestamp": moment(occasion.timestamp),
        "entry": [
            _status_entry(status, occasion, publisher),
            *_entries(resources, occasion, publisher),
        ],
    }
    return _labelled(bundle) if record.episode.traffic is Traffic.TEST else bundle


def _labelled(resource: Json) -> Json:
    return {**resource, "meta": {**resource.get("meta", {}), "security": [dict(_TEST_LABEL)]}}


# ── entries ────────────────────────────────────────────────────────────────────────────────────────


def _entries(resources: Sequence[Json], occasion: Occasion, publisher: Publisher) -> Iterator[Json]:
    """Each resource as if its source had written it: PUT, because it comes again with the next event."""
    told = moment(occasion.timestamp)
    for resource in resources:
        address = f"{resource['resourceType']}/{resource['id']}"
        version = resource.get("meta", {}).get("versionId", "1")
        yield {
            "fullUrl": f"{publisher.base}/{address}",
            "resource": resource,
            "request": {"method": "PUT", "url": address},
            "response": {
                "status": "201" if version == "1" else "200",
                "etag": f'W/"{version}"',
                "lastModified": told,
            },
        }


def _status_entry(status: Json, occasion: Occasion, publisher: Publisher) -> Json:
    asked = f"{publisher.url('Subscription', occasion.subscription)}/$status"
    return {
        "fullUrl": publisher.url("Parameters", status["id"]),
        "resource": status,
        "request": {"method": "GET", "url": asked},
        "response": {"status": "200"},
    }


def _status(record: LinkedRecord, resources: Sequence[Json], occasion: Occasion, publisher: Publisher) -> Json:
    """The profile backport-subscription-status-r4; numbers are strings there."""
    context = [
        {"name": "additional-context", "valueReference": publisher.refer(each)}
        for each in resources
        if each["resourceType"] in _CONTEXT
    ]
    event = [
        {"name": "event-number", "valueString": str(occasion.number)},
        {"name": "timestamp", "valueInstant": moment(occasion.timestamp)},
        {"name": "focus", "valueReference": publisher.reference("Patient", record.episode.id)},
        *context,
    ]
    return {
        "resourceType": "Parameters",
        "id": resource_id(f"{occasion.bundle_id}-status"),
        "meta": {"profile": [f"{BACKPORT}/backport-subscription-status-r4"]},
        "parameter": [
            {"name": "subscription", "valueReference": publisher.reference("Subscription", occasion.subscription)},
            {"name": "topic", "valueCanonical": f"{publisher.base}/SubscriptionTopic/{occasion.topic.value}"},
            {"name": "status", "valueCode": "active"},
            {"name": "type", "valueCode": "event-notification"},
            {"name": "events-since-subscription-start", "valueString": str(occasion.total)},
            {"name": "notification-event", "part": event},
        ],
    }


# ── resources ──────────────────────────────────────────────────────────────────────────────────────


def _resources(record: LinkedRecord, publisher: Publisher) -> list[Json]:
    """The Patient first, then what each source said, then the organisations they name."""
    resources = [patient(record, publisher)]
    for report in standing_reports(record):
        resources += report_resources(record, report, publisher)
    for visit in standing_visits(record):
        resources += visit_resources(record, visit, publisher)
    resources += _provenances(record, publisher)
    return [*resources, *_organizations(record, publisher)]


def _organizations(record: LinkedRecord, publisher: Publisher) -> Iterator[Json]:
    named = [item.visit.organisation for item in standing_visits(record)]
    for item in standing_reports(record):
        named += [item.report.organisation, item.report.destination or ""]
    for each in dict.fromkeys(named):
        if each in publisher.organisations:
            yield organization(publisher.organisations[each])


def _provenances(record: LinkedRecord, publisher: Publisher) -> Iterator[Json]:
    """For each record whose content shows: which places of which message the band was taken from."""
    for report in standing_reports(record):
        if shows_content(record, report):
            targets = [("Encounter", report.id), ("Composition", composition_id(report))]
            places = _report_places(report, record.episode.bands)
            yield from _provenance(record, report, targets, places, publisher)
    for visit in standing_visits(record):
        if shows_content(record, visit):
            places = _visit_places(visit, record.episode.bands)
            yield from _provenance(record, visit, [("Encounter", visit.id)], places, publisher)


def _report_places(item: LinkedReport, bands: Sequence[str]) -> list[Json]:
    report = item.report
    known = (report_identifier(report) or [compact(value=text(report.number))])[0]
    return [_place(known, "Care report", each) for each in report.sightings if each.canonical in bands]


def _visit_places(item: LinkedVisit, bands: Sequence[str]) -> list[Json]:
    admission = item.visit.admission
    known = compact(type={"text": "HL7 v2 message control id"}, value=text(admission.control_id))
    return [_place(known, "Admission message", each) for each in admission.sightings if each.canonical in bands]


def _place(known: Json, kind: str, sighting: Sighting) -> Json:
    line = f", line {sighting.line}" if sighting.line is not None else ""
    words = f"{kind}: {sighting.path}{line} ({sighting.how.value}); rule {sighting.rule}"
    return {"role": "source", "what": compact(identifier=known, display=text(words))}


def _provenance(
    record: LinkedRecord,
    item: LinkedReport | LinkedVisit,
    targets: Sequence[tuple[str, str]],
    places: Sequence[Json],
    publisher: Publisher,
) -> Iterator[Json]:
    if not places:
        return
    yield {
        "resourceType": "Provenance",
        "id": resource_id(f"{item.id}-source"),
        "meta": {"versionId": str(item.version)},
        "target": [
            publisher.reference(kind, id)
            for kind, id in (("Patient", record.episode.id), *targets)  # noqa: A001 - FHIR's own word
        ],
        "recorded": moment(item.link.decided),
        "activity": concept(coding(LIFECYCLE, "link", "Link"), words="Joined by the band identifier"),
        "agent": list(_agents(item.link, publisher)),
        "entity": list(places),
    }


def _agents(link: Link, publisher: Publisher) -> Iterator[Json]:
    """The gateway put it together; where a person has decided, that person vouches for it."""
    yield {
        "type": concept(coding(PROVENANCE_AGENT, "assembler", "Assembler")),
        "who": {"display": publisher.software},
    }
    person = text(link.decided_by)
    if person and person != "gateway":
        yield {
            "type": concept(coding(PROVENANCE_AGENT, "verifier", "Verifier")),
            "who": {"display": person},
        }
