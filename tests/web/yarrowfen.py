"""The invented region as the pages need it, a store filled by hand, and a real browser's end of the wire.

The region is put together by hand: the pages never read a message, so its feeds bring an empty mapping.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import uvicorn
from argon2 import PasswordHasher
from starlette.applications import Starlette
from starlette.routing import Mount

from gateway.bands.scheme import Scheme
from gateway.linking.evidence import Rules
from gateway.mapping.admissions import compile_admissions
from gateway.mapping.rules import Kind, Mapping
from gateway.mapping.source import Source
from gateway.passwords import Attempts, Passwords
from gateway.records import (
    Address,
    Admission,
    CareReport,
    Channel,
    DeliveryState,
    Episode,
    EpisodeState,
    Finding,
    How,
    Level,
    Link,
    LinkState,
    Organisation,
    Person,
    Reason,
    RecordKind,
    Review,
    ReviewState,
    Sighting,
    Stage,
    Subscription,
    Topic,
    Traffic,
    Visit,
    VisitState,
)
from gateway.region import Feed, Region
from gateway.settings import Settings
from gateway.store import (
    deliveries,
    episodes,
    events,
    links,
    messages,
    quarantine,
    reports,
    reviews,
    sightings,
    visits,
    worklist,
)
from gateway.store.database import Database
from gateway.store.messages import Message, MessageKind, Outcome
from gateway.store.transaction import Tx
from gateway.web.pages import PagesState, pages
from gateway.web.sign_in import Sessions

NOW = datetime(2026, 3, 14, 17, 5, 9, tzinfo=UTC)
ZONE = ZoneInfo("America/Chicago")  # 12:05:09 -05:00 at NOW: daylight saving began on 8 March 2026
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)  # the tests sign in some hundred times
BAND, TRAINING_BAND = "YF7K4M2QG", "YT3C9D4FW"
IVY = Person(
    family="Quillfeather",
    given="Ivy",
    birth_date="1971-02-03",
    address=Address(lines=("17 Thistledown Row",), city="Gull Landing"),
    phones=("555-0142",),
)
#: Whatever of the stored records must never stand on a page.
SECRETS = (BAND, TRAINING_BAND, "Quillfeather", "Ivy", "1971-02-03", "19710203", "Thistledown", "555-0142", "V-88123")

_SCHEME = Scheme(
    name="yarrowfen",
    system="urn:oid:2.16.840.1.113883.19.77.1",
    namespace="YFBAND",
    universal_id="2.16.840.1.113883.19.77.1",
    universal_id_type="ISO",
    prefix="YF",
    alphabet="0123456789ABCDEFGHJKMNPQRSTVWXYZ",
    length=9,
    check="none",
)
_EMPTY = compile_admissions(Mapping(mapping="empty", kind=Kind.ADMISSIONS, about="Takes nothing."), {})


def region(*, address: str = "http://127.0.0.1:8080", attempts: int = 10) -> Region:
    """Three feeds, one of them on trial; two subscriptions."""
    organisations = [
        Organisation(id="harrow-point", kind="agency", name="Harrow Point Ambulance"),
        Organisation(id="skerry", kind="agency", name="Skerry Air Rescue"),
        Organisation(id="anvil-head", kind="facility", name="Anvil Head Medical Center"),
        Organisation(id="saint-orla", kind="facility", name="Saint Orla Hospital"),
    ]
    feeds = [
        _feed("harrow-point-reports", "harrow-point", Kind.CARE_REPORTS, "live"),
        _feed("anvil-head-admissions", "anvil-head", Kind.ADMISSIONS, "live"),
        _feed("skerry-reports", "skerry", Kind.CARE_REPORTS, "trial"),
    ]
    subscriptions = [
        _subscription("anvil-head-records", "anvil-head", Channel.FHIR_REST_HOOK, "https://127.0.0.1:8090/hook"),
        _subscription("saint-orla-updates", "saint-orla", Channel.HL7V2_MLLP, "mllp://127.0.0.1:2576"),
    ]
    return Region(
        name="Yarrowfen",
        address=address,
        zone=ZONE,
        schemes=(_SCHEME,),
        organisations={each.id: each for each in organisations},
        feeds={each.name: each for each in feeds},
        subscriptions={each.name: each for each in subscriptions},
        settings=Settings(sign_in_attempts=attempts),
        rules=Rules(),
        unknown={},
    )


def _feed(name: str, organisation: str, kind: Kind, stage: str) -> Feed:
    source = Source(feed=name, organisation=organisation, zone=ZONE, schemes=(_SCHEME,), trial=stage == "trial")
    return Feed(
        name=name,
        organisation=organisation,
        kind=kind,
        stage=Stage(stage),
        source=source,
        mapping="empty",
        sender=None,
        token_sha256=None,
        charset="cp1252",
        reader=_EMPTY,
    )


def _subscription(name: str, organisation: str, channel: Channel, endpoint: str) -> Subscription:
    return Subscription(
        name=name, organisation=organisation, topic=Topic.RECORDS_LINKED, channel=channel, endpoint=endpoint
    )


# ── the store ──────────────────────────────────────────────────────────────────────────────────────


def open_store(folder: Path) -> Database:
    return Database.open(f"sqlite:///{folder}/gateway.db", key_file=folder / "store.key", now=NOW)


def message(name: str, feed: str | None, kind: MessageKind, at: datetime, **changes: object) -> Message:
    fields: dict[str, object] = {
        "id": name,
        "feed": feed,
        "door": "mllp",
        "received": at,
        "kind": kind,
        "content_hash": messages.fingerprint(name.encode()),
        "outcome": Outcome.KEPT,
        "answer": "AA",
        "size": 512,
    }
    return Message(**(fields | changes))  # type: ignore[arg-type]


def fill(tx: Tx) -> None:
    """An hour of live traffic: a linked pair, a held one, a review, a held delivery, a fault and a stray message."""
    report = message(
        "m-report", "harrow-point-reports", MessageKind.CARE_REPORT, NOW - timedelta(hours=1), answer="201"
    )
    visit = message("m-visit", "anvil-head-admissions", MessageKind.ADMISSION, NOW - timedelta(minutes=30))
    yesterday = message("m-old", "anvil-head-admissions", MessageKind.ADMISSION, NOW - timedelta(hours=14))
    stray = message(
        "m-stray", None, MessageKind.ADMISSION, NOW - timedelta(minutes=2), outcome=Outcome.QUARANTINED, answer="AR"
    )
    for each in (yesterday, report, visit, stray):
        messages.add(tx, each, b"MSH|Quillfeather^Ivy|" + BAND.encode())
    quarantine.add(
        tx,
        quarantine.Quarantined(
            message="m-stray",
            code="hl7-no-trigger",
            says="MSH-9 names no trigger",
            remedy="send MSH-9 as ADT^A01",
            path="MSH-9",
            line=1,
            at=stray.received,
        ),
    )
    fault = Finding(level=Level.WARNING, code="hl7-no-visit-number", message="no visit number", path="PV1-19")
    worklist.add(tx, (fault,), feed="anvil-head-admissions", message="m-visit", at=visit.received, traffic=Traffic.LIVE)
    _records(tx, Traffic.LIVE, BAND, report="m-report", visit="m-visit")
    _told(tx)


def fill_test(tx: Tx) -> None:
    """An exercise of the feed that is on trial."""
    drill = message(
        "m-drill",
        "skerry-reports",
        MessageKind.CARE_REPORT,
        NOW - timedelta(minutes=9),
        traffic=Traffic.TEST,
        answer="202",
    )
    messages.add(tx, drill, b"<drill/>")
    _records(tx, Traffic.TEST, TRAINING_BAND, report="m-drill", visit="m-drill")


def _records(tx: Tx, traffic: Traffic, band: str, *, report: str, visit: str) -> None:
    """A care report and a visit of one person under one band, linked and held, and a question about them."""
    episode = f"episode-{traffic}"
    episodes.add(
        tx,
        Episode(id=episode, state=EpisodeState.OPEN, traffic=traffic, bands=(band,), opened=NOW - timedelta(hours=1)),
    )
    seen = Sighting(raw=band, canonical=band, how=How.IDENTIFIER, path="PID-3[2]", rule="empty")
    reports.add(
        tx,
        CareReport(key="k", number="n", organisation="harrow-point", traffic=traffic, patient=IVY, sightings=(seen,)),
        report_id=f"report-{traffic}",
        message=report,
        event_time=NOW,
        at=NOW,
    )
    admission = Admission(organisation="anvil-head", trigger="A01", control_id="1", traffic=traffic, patient=IVY)
    visits.add(
        tx,
        Visit(key="V-88123", organisation="anvil-head", state=VisitState.PRESENT, admission=admission),
        visit_id=f"visit-{traffic}",
        message=visit,
        event_time=NOW,
        at=NOW,
    )
    sightings.add(
        tx,
        (seen,),
        kind=RecordKind.CARE_REPORT,
        record=f"report-{traffic}",
        organisation="harrow-point",
        traffic=traffic,
        event_time=NOW,
    )
    links.add(tx, _link(traffic, episode, RecordKind.CARE_REPORT, LinkState.LINKED))
    links.add(tx, _link(traffic, episode, RecordKind.VISIT, LinkState.HELD))
    words = "the sexes recorded differ: which record is right?" if traffic is Traffic.LIVE else "an exercise question"
    reviews.add(
        tx,
        Review(
            id=f"review-{traffic}",
            state=ReviewState.OPEN,
            question="contradiction",
            says=words,
            opened=NOW - timedelta(minutes=28),
            traffic=traffic,
            episode=episode,
        ),
    )


def _link(traffic: Traffic, episode: str, kind: RecordKind, state: LinkState) -> Link:
    linked = state is LinkState.LINKED
    reason = Reason(code="name", says="family and given name agree")
    against = Reason(code="sex", says="the sexes recorded differ", supports=False)
    return Link(
        id=f"link-{traffic}-{kind}",
        episode=episode,
        kind=kind,
        record=f"{'report' if kind is RecordKind.CARE_REPORT else 'visit'}-{traffic}",
        organisation="harrow-point" if kind is RecordKind.CARE_REPORT else "anvil-head",
        state=state,
        confirmed=linked,
        reasons=(reason,) if linked else (against,),
        decided=NOW - timedelta(minutes=29),
    )


def _told(tx: Tx) -> None:
    for number, hash_ in enumerate((b"one", b"two")):
        events.tell(
            tx,
            events.Notice(
                subscription="anvil-head-records",
                episode="episode-live",
                topic=Topic.RECORDS_LINKED,
                at=NOW - timedelta(minutes=20 - number),
                content_hash=hash_,
                delivery=f"delivery-{number}",
            ),
        )


def hold_a_delivery(tx: Tx, reason: str = "the subscriber answered 422") -> None:
    claimed = deliveries.claim(tx, "anvil-head-records", now=NOW, worker="w", lease=timedelta(minutes=2))
    assert claimed is not None
    deliveries.settle(
        tx,
        claimed.delivery.id,
        DeliveryState.HELD,
        worker="w",
        at=NOW - timedelta(minutes=15),
        reason=reason,
    )


# ── the wire ───────────────────────────────────────────────────────────────────────────────────────


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


def state_of(database: Database, clock: Clock, region_: Region) -> PagesState:
    return PagesState(
        database=database,
        region=region_,
        clock=clock,
        attempts=Attempts(region_.settings.sign_in_attempts),
        sessions=Sessions(),
        passwords=Passwords(CHEAP),
    )


@contextmanager
def serving(state: PagesState) -> Iterator[str]:
    """Serve the pages as the gateway does, mounted in a larger application, on a free port; give back the address."""
    app = Starlette(routes=[Mount("/", pages(state))])
    config = uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", lifespan="off", ws="none")
    server = uvicorn.Server(config)
    listener = config.bind_socket()
    listener.listen()  # who connects before the server runs waits in the queue
    thread = threading.Thread(target=server.run, args=([listener],), name="pages")
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()
    assert not thread.is_alive()


def browser(address: str) -> httpx.Client:
    """A client that follows nothing by itself and keeps its cookies."""
    return httpx.Client(base_url=address, follow_redirects=False, timeout=10, trust_env=False)


def sign_in(client: httpx.Client, account: str, password: str, **headers: str) -> httpx.Response:
    return client.post("/sign-in", data={"account": account, "password": password}, headers=headers)
