"""What a page about one kind of traffic reads: nothing of the other, and the order and counts it says."""

from datetime import timedelta

from gateway.records import Traffic
from gateway.store import messages, quarantine
from gateway.store.database import Database
from gateway.store.messages import Message, MessageKind, Outcome, fingerprint
from gateway.store.transaction import Tx
from tests.store.samples import NOW

LIVE, TEST = Traffic.LIVE, Traffic.TEST


def arrive(tx: Tx, name: str, traffic: Traffic, minutes: int, feed: str | None = "orla-admissions") -> None:
    message = Message(
        id=name,
        feed=feed,
        door="mllp",
        received=NOW - timedelta(minutes=minutes),
        kind=MessageKind.ADMISSION,
        content_hash=fingerprint(name.encode()),
        outcome=Outcome.KEPT if feed else Outcome.QUARANTINED,
        answer="AA" if feed else "AR",
        size=1,
        traffic=traffic,
    )
    messages.add(tx, message, b"x")
    if feed is None:
        quarantine.add(tx, quarantine.Quarantined(message=name, code="stranger", says="no feed", at=message.received))


def fill(tx: Tx) -> None:
    arrive(tx, "old", LIVE, 90)
    arrive(tx, "drill", TEST, 30)
    arrive(tx, "new", LIVE, 20)
    arrive(tx, "stray", LIVE, 10, feed=None)
    arrive(tx, "stray-drill", TEST, 5, feed=None)


def test_the_newest_messages_of_one_traffic(database: Database) -> None:
    database.write(fill)
    newest = database.read(lambda tx: messages.recent_traffic(tx, traffic=LIVE))
    assert [message.id for message in newest] == ["stray", "new", "old"]
    newest = database.read(lambda tx: messages.recent_traffic(tx, traffic=TEST, limit=1))
    assert [message.id for message in newest] == ["stray-drill"]


def test_messages_counted_since_a_time(database: Database) -> None:
    database.write(fill)
    since = NOW - timedelta(minutes=20)
    assert database.read(lambda tx: messages.count_since(tx, traffic=LIVE, since=since)) == {
        "orla-admissions": 1,
        None: 1,
    }
    assert database.read(lambda tx: messages.count_since(tx, traffic=TEST, since=since)) == {None: 1}


def test_quarantine_of_one_traffic_or_of_both(database: Database) -> None:
    database.write(fill)
    for traffic, names in ((LIVE, ["stray"]), (TEST, ["stray-drill"]), (None, ["stray-drill", "stray"])):
        found = database.read(lambda tx, traffic=traffic: quarantine.open_items(tx, traffic=traffic))  # type: ignore[misc]
        assert [item.message for item in found] == names
        assert database.read(lambda tx, traffic=traffic: quarantine.count_open(tx, traffic=traffic)) == len(names)  # type: ignore[misc]


def test_what_was_seen_to_is_no_longer_open(database: Database) -> None:
    database.write(fill)
    database.write(lambda tx: quarantine.settle(tx, "stray", at=NOW, by="coordinator"))
    assert database.read(lambda tx: quarantine.count_open(tx, traffic=LIVE)) == 0
    assert database.read(lambda tx: quarantine.open_items(tx, traffic=LIVE)) == []
