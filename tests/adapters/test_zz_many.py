"""Notification bundles.

Sources: HL7 Subscriptions R5 Backport (status profile, history bundle); FHIR R4 4.0.1, schema and Bundle
invariants. That identifiers alone move on a band alone is a rule of the region, not of a standard.
"""

import statistics
import string
import time
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import orjson
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.adapters.notifications import notification
from gateway.errors import GatewayFault
from gateway.records import (
    Address,
    Admission,
    Age,
    CareReport,
    Condition,
    Detail,
    Diagnosis,
    Episode,
    EpisodeState,
    How,
    Identifier,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    LinkState,
    Location,
    Medication,
    Person,
    Procedure,
    Reading,
    RecordKind,
    ReportTimes,
    Sex,
    Sighting,
    Traffic,
    Visit,
    VisitState,
    VitalSigns,
)
from tests.adapters.linked import (
    ALIAS,
    BAND,
    BAND_ONLY,
    BASE,
    LINKED_REPORT,
    OCCASION,
    PUBLISHER,
    RECORD,
    REPORT,
    VITALS,
    link,
)
from tests.r4 import R4, check_history_bundle

Json = dict[str, Any]


def tell(record: LinkedRecord) -> Json:
    return notification(record, OCCASION, PUBLISHER)


def kinds(bundle: Json) -> list[str]:
    return [entry["resource"]["resourceType"] for entry in bundle["entry"]]


def parameters(bundle: Json) -> Json:
    """The status as name to value; the event's parts likewise, its repeated context as a list."""
    status = bundle["entry"][0]["resource"]["parameter"]
    values = {each["name"]: next((v for k, v in each.items() if k.startswith("value")), None) for each in status}
    parts = next(each["part"] for each in status if each["name"] == "notification-event")
    event = {each["name"]: next(v for k, v in each.items() if k.startswith("value")) for each in parts}
    context = [each["valueReference"]["reference"] for each in parts if each["name"] == "additional-context"]
    return {**values, **event, "context": context}


# ── shape ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("record", [RECORD, BAND_ONLY, replace(RECORD, visits=()), replace(RECORD, reports=())])
def test_a_bundle_is_valid_and_closed(r4: R4, record: LinkedRecord) -> None:
    bundle = orjson.loads(orjson.dumps(tell(record)))
    r4.check(bundle)
    check_history_bundle(bundle, BASE)


def test_the_status_comes_first_and_numbers_are_strings() -> None:
    """Profile backport-subscription-status-r4."""
    bundle = tell(RECORD)
    said = parameters(bundle)
    assert bundle["type"] == "history"
    assert said["subscription"] == {"reference": f"{BASE}/Subscription/anvil-head-fhir"}
    assert said["topic"] == f"{BASE}/SubscriptionTopic/records-linked"
    assert (said["status"], said["type"]) == ("active", "event-notification")
    assert (said["event-number"], said["events-since-subscription-start"]) == ("7", "7")
    assert bundle["entry"][0]["request"] == {"method": "GET", "url": f"{BASE}/Subscription/anvil-head-fhir/$status"}


def test_the_focus_is_the_patient_and_the_context_what_was_joined() -> None:
    said = parameters(tell(RECORD))
    assert said["focus"] == {"reference": f"{BASE}/Patient/ep-1"}
    assert said["context"] == [f"{BASE}/Encounter/r-1", f"{BASE}/Composition/r-1-record", f"{BASE}/Encounter/v-1"]


def test_versions_are_told_with_each_entry() -> None:
    entries = {entry["fullUrl"]: entry for entry in tell(RECORD)["entry"]}
    report, visit = entries[f"{BASE}/Encounter/r-1"], entries[f"{BASE}/Encounter/v-1"]
    assert report["request"] == {"method": "PUT", "url": "Encounter/r-1"}
    assert (report["response"]["status"], report["response"]["etag"]) == ("200", 'W/"2"')
    assert (visit["response"]["status"], visit["response"]["etag"]) == ("201", 'W/"1"')


def test_a_repeat_is_the_same_byte_for_byte() -> None:
    assert orjson.dumps(tell(RECORD)) == orjson.dumps(tell(RECORD))


def test_both_sources_say_where_the_band_stood() -> None:
    """Provenance: agent assembler, entity role source."""
    found = [entry["resource"] for entry in tell(RECORD)["entry"] if entry["resource"]["resourceType"] == "Provenance"]
    report, visit = found
    assert report["entity"][0]["what"]["identifier"]["value"].startswith("urn:uuid:0c7d6a5e")
    assert report["entity"][0]["what"]["display"] == (
        "Care report: eOutcome.04, line 211 (identifier); rule test: band"
    )
    assert visit["entity"][0]["what"]["identifier"]["value"] == "AH-000412"
    assert visit["entity"][0]["what"]["display"].startswith("Admission message: PID-3[3].1")
    assert report["agent"][0]["who"]["display"] == "gateway 0.0 (test)"
    assert report["target"][0] == {"reference": f"{BASE}/Patient/ep-1"}


def test_a_person_who_decided_is_named_beside_the_software() -> None:
    decided = replace(LINKED_REPORT, link=replace(LINKED_REPORT.link, decided_by="coordinator-2"))
    bundle = tell(replace(RECORD, reports=(decided,), visits=()))
    (found,) = [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Provenance"]
    assert [each["type"]["coding"][0]["code"] for each in found["agent"]] == ["assembler", "verifier"]


def test_exercises_are_labelled_and_live_traffic_is_not() -> None:
    """HTEST, test health data (v3-ActReason), from memory."""
    drill = tell(replace(RECORD, episode=replace(RECORD.episode, traffic=Traffic.TEST)))
    assert all(entry["resource"]["meta"]["security"][0]["code"] == "HTEST" for entry in drill["entry"][1:])
    assert drill["meta"]["security"][0]["code"] == "HTEST"
    assert b"HTEST" not in orjson.dumps(tell(RECORD))


def test_a_labelled_bundle_is_valid(r4: R4) -> None:
    r4.check(tell(replace(RECORD, episode=replace(RECORD.episode, traffic=Traffic.TEST))))


def test_the_nemsis_code_system_can_be_named() -> None:
    own = "https://codes.example.org/nemsis"
    written = orjson.dumps(notification(RECORD, OCCASION, replace(PUBLISHER, nemsis_codes=own)))
    assert own.encode() in written
    assert b"CodeSystem/nemsis-v3" not in written


def test_an_unknown_band_stops_the_notification() -> None:
    with pytest.raises(GatewayFault):
        notification(RECORD, OCCASION, replace(PUBLISHER, schemes=()))


# ── what is not told ───────────────────────────────────────────────────────────────────────────────

IDENTIFIERS_ONLY = {"Parameters", "Patient", "Encounter", "Organization"}

#: Every word of the shared record that is about the person or clinical, none of which may move on a band alone.
PRIVATE = (
    "Quillfeather", "Ivy", "Maud", "1971-02-03", "female", "555-0142", "Reed Lane", "Yarrow Quay", "900-55-0142",
    "Chest pain", "R07.9", "R06.02", "I21.3", "Heart attack", "317361", "7052", "268400002", "112798008", "2708001",
    "2813001", "4219003", "4230001", "Red - Immediate", "8867-4", "118", "Found seated", "CAR", "R4", "2205001",
)  # fmt: skip


@pytest.mark.parametrize(
    "record",
    [
        BAND_ONLY,
        replace(
            RECORD,
            reports=(replace(LINKED_REPORT, link=link("r-1", RecordKind.CARE_REPORT, confirmed=False)),),
            visits=(replace(RECORD.visits[0], link=link("v-1", RecordKind.VISIT, confirmed=False)),),
        ),
    ],
    ids=["band alone", "links unconfirmed"],
)
def test_on_a_band_alone_no_word_of_the_person_moves(record: LinkedRecord) -> None:
    bundle = tell(record)
    assert set(kinds(bundle)) <= IDENTIFIERS_ONLY
    words = set(strings(bundle))
    for secret in PRIVATE:
        assert not [word for word in words if secret == word or (len(secret) > 4 and secret in word)], secret
    assert {BAND, ALIAS, "00412907", "V-20931", "PCR-0098"} <= words


def strings(node: Any) -> list[str]:
    if isinstance(node, dict):
        return [word for value in node.values() for word in strings(value)]
    if isinstance(node, list):
        return [word for value in node for word in strings(value)]
    return [str(node)]


@pytest.mark.parametrize("state", [LinkState.HELD, LinkState.WITHDRAWN])
def test_a_record_whose_link_does_not_stand_is_not_told(state: LinkState) -> None:
    held = replace(RECORD.visits[0], link=link("v-1", RecordKind.VISIT, state=state))
    bundle = tell(replace(RECORD, visits=(held,)))
    assert b"V-20931" not in orjson.dumps(bundle)
    assert b"00412907" not in orjson.dumps(bundle)
    assert f"{BASE}/Encounter/v-1" not in [entry["fullUrl"] for entry in bundle["entry"]]


# ── any record ─────────────────────────────────────────────────────────────────────────────────────

WORD = st.text(st.characters(), max_size=12)
WORDS = st.none() | WORD
IDS = st.text(string.ascii_letters + string.digits + "-._/ ", min_size=1, max_size=70)
ZONES = st.sampled_from([UTC, timezone(timedelta(hours=-6)), timezone(timedelta(hours=13, minutes=45))])
MOMENTS = st.builds(datetime.fromtimestamp, st.integers(1_500_000_000, 1_900_000_000), ZONES)
TIMES = st.none() | MOMENTS
FLAGS = st.none() | st.booleans()
NEGATIVES = st.none() | st.sampled_from(["8801005", "8801019", "8801029", "8801031", "odd one"])
DATES = st.none() | st.sampled_from(["1961-06-15", "1961-06", "1961", "1980-02-30"]) | WORD
COUNTS = st.integers(0, 200)


def some(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(strategy, max_size=2).map(tuple)


IDENTIFIERS = st.builds(
    Identifier,
    value=WORD,
    system=WORDS | st.just("urn:oid:2.999.1"),
    type=WORDS | st.sampled_from(["MR", "SS", "VN"]),
    namespace=WORDS,
    universal_id=WORDS | st.just("2.999.2"),
    universal_id_type=st.none() | st.sampled_from(["ISO", "UUID", "URI", "DNS"]),
    check_digit=WORDS,
    check_scheme=WORDS,
    facility=WORDS,
    start=WORDS | st.just("20260301"),
    end=WORDS,
)
PEOPLE = st.builds(
    Person,
    family=WORDS,
    given=WORDS,
    middle=WORDS,
    suffix=WORDS,
    prefix=WORDS,
    birth_date=DATES,
    sex=st.none() | st.sampled_from(Sex),
    age=st.none() | st.builds(Age, value=COUNTS, unit=st.sampled_from(["a", "mo"]) | WORD, estimated=st.booleans()),
    address=st.none() | st.builds(Address, lines=some(WORD), city=WORDS, state=WORDS, country=WORDS),
    phones=some(WORD),
    deceased=FLAGS,
    deceased_at=TIMES,
    unidentified=st.booleans(),
)
SIGHTINGS = st.builds(
    Sighting,
    raw=WORD,
    canonical=st.sampled_from([BAND, ALIAS, None]),
    how=st.sampled_from(How),
    path=WORD,
    rule=WORD,
    line=st.none() | COUNTS,
)
READINGS = st.builds(
    Reading,
    name=st.sampled_from([*(reading.name for reading in VITALS.readings), "blood_pressure"]) | WORD,
    value=WORDS | st.sampled_from(["88", "36.4", "P", "High", "low", "3326003", "9" * 40]),
    unit=WORDS | st.sampled_from(["3340001", "3340003", "3340005"]),
    negative=NEGATIVES,
    missing=WORDS,
)
REPORTS = st.builds(
    CareReport,
    key=WORD,
    number=WORD,
    organisation=st.sampled_from(["harrow-point", "elsewhere"]) | WORD,
    uuid=st.none() | st.uuids().map(str),
    partial=st.booleans(),
    incident_number=WORDS,
    response_number=WORDS,
    unit=WORDS,
    service=WORDS,
    patient=PEOPLE,
    patient_identifiers=some(IDENTIFIERS),
    times=st.builds(ReportTimes, **dict.fromkeys(ReportTimes.__struct_fields__, TIMES)),
    destination=st.none() | st.sampled_from(["anvil-head", "elsewhere"]),
    destination_code=WORDS,
    destination_name=WORDS,
    transport=WORDS | st.just("4230009"),
    mass_casualty=FLAGS,
    triage=WORDS | st.just("2708007"),
    initial_acuity=WORDS | st.just("2813001"),
    final_acuity=WORDS | st.just("4219009"),
    conditions=some(
        st.builds(
            Condition,
            kind=st.sampled_from(["complaint", "symptom", "primary-impression"]) | WORD,
            code=WORDS,
            text=WORDS,
            negative=NEGATIVES,
        )
    ),
    vitals=some(st.builds(VitalSigns, at=TIMES, before_unit=FLAGS, readings=st.lists(READINGS, max_size=4).map(tuple))),
    medications=some(
        st.builds(
            Medication,
            code=WORD,
            code_system=WORDS,
            at=TIMES,
            before_unit=FLAGS,
            route=WORDS,
            dose=WORDS | st.just("0.5"),
            dose_unit=WORDS | st.just("3706007"),
            response=WORDS,
            complications=some(WORD),
            performer_role=WORDS,
            negative=NEGATIVES,
        )
    ),
    procedures=some(
        st.builds(
            Procedure,
            code=WORD,
            at=TIMES,
            before_unit=FLAGS,
            attempts=st.none() | COUNTS,
            successful=FLAGS,
            complications=some(WORD),
            negative=NEGATIVES,
        )
    ),
    narrative=WORDS,
    sightings=some(SIGHTINGS),
)
LOCATIONS = st.none() | st.builds(Location, unit=WORDS, room=WORDS, bed=WORDS)
ADMISSIONS = st.builds(
    Admission,
    organisation=st.just("anvil-head"),
    trigger=st.sampled_from(["A01", "A03", "A08"]),
    control_id=WORD,
    event_time=TIMES,
    visit_number=st.none() | IDENTIFIERS,
    alternate_visit=st.none() | IDENTIFIERS,
    account=st.none() | IDENTIFIERS,
    identifiers=some(IDENTIFIERS),
    patient=PEOPLE,
    patient_class=WORDS | st.sampled_from("EIOPRBCNU"),
    location=LOCATIONS,
    previous_location=LOCATIONS,
    admission_type=WORDS,
    admit_source=WORDS,
    service=WORDS,
    attending=st.none() | IDENTIFIERS,
    attending_name=WORDS,
    admitted_at=TIMES,
    disposition=WORDS | st.just("1"),
    discharged_to=WORDS,
    diagnoses=some(st.builds(Diagnosis, code=WORD, system=WORDS | st.just("I10C"), text=WORDS, type=WORDS)),
    sightings=some(SIGHTINGS),
)
STATES = st.sampled_from(LinkState)
DETAILS = st.sampled_from(Detail)


@st.composite
def linked_records(draw: st.DrawFn, detail: st.SearchStrategy[Detail] = DETAILS) -> LinkedRecord:
    names = draw(st.lists(IDS, min_size=3, max_size=3, unique=True))
    links = [
        replace(link(name, RecordKind.VISIT, confirmed=draw(st.booleans()), state=draw(STATES)), decided_by=draw(WORD))
        for name in names[1:]
    ]
    admission = draw(ADMISSIONS)
    visit = Visit(
        key="v",
        organisation=draw(st.sampled_from(["anvil-head", "elsewhere"])),
        state=draw(st.sampled_from(VisitState)),
        admission=admission,
        started=draw(TIMES),
        ended=draw(TIMES),
    )
    return LinkedRecord(
        episode=Episode(
            id=names[0],
            state=EpisodeState.OPEN,
            traffic=draw(st.sampled_from(Traffic)),
            bands=draw(st.sampled_from([(BAND,), (BAND, ALIAS)])),
            opened=draw(MOMENTS),
            closed=draw(TIMES),
        ),
        recipient="anvil-head",
        detail=draw(detail),
        reports=(LinkedReport(id=names[1], report=draw(REPORTS), link=links[0], version=draw(st.integers(1, 9))),),
        visits=(LinkedVisit(id=names[2], visit=visit, link=links[1]),),
    )


@given(linked_records())
@settings(max_examples=2500, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_record_gives_a_valid_and_closed_bundle(r4: R4, record: LinkedRecord) -> None:
    bundle = orjson.loads(orjson.dumps(tell(record)))
    assert r4.complaints(bundle) == []
    check_history_bundle(bundle, BASE)


@given(linked_records(st.just(Detail.IDENTIFIERS)))
@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
def test_on_a_band_alone_any_record_gives_identifiers_only(record: LinkedRecord) -> None:
    bundle = tell(record)
    assert set(kinds(bundle)) <= IDENTIFIERS_ONLY
    told = next(entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Patient")
    assert set(told) == {"resourceType", "id", "meta", "identifier"}
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] == "Encounter":
            bare = {"type", "serviceType", "diagnosis", "participant", "location", "contained", "reasonCode"}
            assert not bare & set(entry["resource"])


# ── speed ──────────────────────────────────────────────────────────────────────────────────────────


def test_a_full_bundle_is_built_in_well_under_five_milliseconds() -> None:
    """A guard against something quadratic, ten times the time it takes on a quiet machine."""
    record = replace(RECORD, reports=(replace(LINKED_REPORT, report=replace(REPORT, vitals=(VITALS,) * 3)),))
    spent = []
    for _ in range(50):
        began = time.process_time()
        orjson.dumps(tell(record))
        spent.append(time.process_time() - began)
    assert kinds(tell(record)).count("Observation") > 40
    assert statistics.median(spent) < 0.005
