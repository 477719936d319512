"""Invented records for the tests of the store; all people and places are of Yarrowfen."""

import itertools
from datetime import UTC, datetime, timedelta

from gateway.records import (
    Admission,
    CareReport,
    Episode,
    EpisodeState,
    How,
    Link,
    LinkState,
    Origin,
    Person,
    Reason,
    RecordKind,
    Sighting,
    Topic,
    Traffic,
    Visit,
    VisitState,
)
from gateway.store.events import Notice
from gateway.store.messages import Message, MessageKind, Outcome, fingerprint

NOW = datetime(2031, 5, 6, 7, 8, 9, 123456, tzinfo=UTC)
SECOND = timedelta(seconds=1)
RAW = b"MSH|^~\\&|ORLA|SAINT ORLA HOSPITAL\rPID|1||4711||Quillfeather^Ismay\r"
FAMILY = "Quillfeather"
BAND = "YF7K4M2QG"
_ids = itertools.count(1)


def new_id(prefix: str = "id") -> str:
    return f"{prefix}-{next(_ids):020d}"


def message(raw: bytes = RAW, **changes: object) -> Message:
    values: dict[str, object] = {
        "id": new_id("message"),
        "feed": "saint-orla",
        "door": "mllp",
        "received": NOW,
        "kind": MessageKind.ADMISSION,
        "content_hash": fingerprint(raw),
        "outcome": Outcome.KEPT,
        "answer": "AA",
        "size": len(raw),
        "control_id": "C1",
    }
    return Message(**(values | changes))  # type: ignore[arg-type]


def sighting(canonical: str | None = BAND, **changes: object) -> Sighting:
    values: dict[str, object] = {
        "raw": f" {canonical or 'smudged'}*",
        "canonical": canonical,
        "how": How.IDENTIFIER,
        "path": "PID-3[2].1",
        "rule": "orla: bands[0]",
        "line": 2,
        "scheme": "everyday",
        "fault": None if canonical else "band-check",
    }
    return Sighting(**(values | changes))  # type: ignore[arg-type]


def visit(key: str = "V1", *, state: VisitState = VisitState.PRESENT, traffic: Traffic = Traffic.LIVE) -> Visit:
    admission = Admission(
        organisation="saint-orla",
        trigger="A01",
        control_id="C1",
        event_time=NOW,
        traffic=traffic,
        patient=Person(family=FAMILY, given="Ismay", birth_date="1900-02"),
        sightings=(sighting(),),
        origins={"patient.family": Origin("PID-5.1", 2, "orla: patient.family")},
    )
    return Visit(key=key, organisation="saint-orla", state=state, admission=admission, started=NOW)


def report(key: str = "R1", **changes: object) -> CareReport:
    values: dict[str, object] = {
        "key": key,
        "number": "77",
        "organisation": "harrow-point",
        "patient": Person(family=FAMILY, given="Ismay"),
        "destination": "saint-orla",
        "sightings": (sighting(path="/EMSDataSet/Header[1]"),),
    }
    return CareReport(**(values | changes))  # type: ignore[arg-type]


def episode(*bands: str, traffic: Traffic = Traffic.LIVE, opened: datetime = NOW) -> Episode:
    return Episode(
        id=new_id("episode"), state=EpisodeState.OPEN, traffic=traffic, bands=bands or (new_id("B"),), opened=opened
    )


def link(episode_id: str, record: str, **changes: object) -> Link:
    values: dict[str, object] = {
        "id": new_id("link"),
        "episode": episode_id,
        "kind": RecordKind.VISIT,
        "record": record,
        "organisation": "saint-orla",
        "state": LinkState.LINKED,
        "confirmed": True,
        "reasons": (Reason(code="band", says="the same band"), Reason(code="sex", says="differs", supports=False)),
        "decided": NOW,
    }
    return Link(**(values | changes))  # type: ignore[arg-type]


def notice(subscription: str, episode_id: str, content: str = "a", **changes: object) -> Notice:
    values: dict[str, object] = {
        "subscription": subscription,
        "episode": episode_id,
        "topic": Topic.RECORDS_LINKED,
        "at": NOW,
        "content_hash": fingerprint(content.encode()),
        "delivery": new_id("delivery"),
    }
    return Notice(**(values | changes))  # type: ignore[arg-type]
