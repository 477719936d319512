"""Messages, the counters of their feeds, and quarantine."""

from datetime import date, timedelta

import pytest

from gateway.errors import GatewayFault
from gateway.records import Traffic
from gateway.store import feeds, messages, quarantine
from gateway.store.database import Database
from gateway.store.messages import MessageKind, Outcome, fingerprint
from gateway.store.quarantine import Quarantined
from gateway.store.transaction import Tx
from tests.store.samples import NOW, RAW, SECOND, message


def test_a_message_comes_back_as_it_was(database: Database) -> None:
    kept = message(feed=None, kind=MessageKind.CARE_REPORT, control_id="", traffic=Traffic.TEST)
    database.write(lambda tx: messages.add(tx, kept, RAW))
    assert database.read(lambda tx: messages.get(tx, kept.id)) == kept
    assert database.read(lambda tx: messages.get_raw(tx, kept.id)) == RAW


def test_hostile_bytes_come_back_as_they_were(database: Database) -> None:
    raw = bytes(range(256)) * 3 + b"'; DROP TABLE messages; --\x00%s%(x)s:name"
    kept = message(raw, control_id="'; --\\%(x)s :y \u202e", feed="%s")
    database.write(lambda tx: messages.add(tx, kept, raw))
    assert database.read(lambda tx: (messages.get(tx, kept.id), messages.get_raw(tx, kept.id))) == (kept, raw)


def test_an_unknown_message_is_a_fault(database: Database) -> None:
    for question in (messages.get, messages.get_raw):
        with pytest.raises(GatewayFault):
            database.read(lambda tx, question=question: question(tx, "none"))


def test_the_fingerprint_is_sha_256() -> None:
    """FIPS 180-4; the published example for "abc" (NIST, SHA-256 examples)."""
    assert fingerprint(b"abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_repeated_message_is_known_by_feed_control_id_and_content(database: Database) -> None:
    kept = message()

    def same(**changes: object) -> object:
        values = {
            "feed": "saint-orla",
            "control_id": "C1",
            "content_hash": fingerprint(RAW),
            "traffic": Traffic.LIVE,
        } | changes
        return database.read(lambda tx: messages.find_same(tx, **values))  # type: ignore[arg-type]

    assert same() is None
    database.write(lambda tx: messages.add(tx, kept, RAW))
    assert same() == kept
    assert same(feed="fenwick") is None
    assert same(control_id="C2") is None
    assert same(traffic=Traffic.TEST) is None
    assert same(content_hash=fingerprint(b"other")) is None


@pytest.mark.parametrize("outcome", [Outcome.QUARANTINED, Outcome.DUPLICATE])
def test_only_a_kept_message_makes_a_later_one_a_repeat(database: Database, outcome: Outcome) -> None:
    database.write(lambda tx: messages.add(tx, message(outcome=outcome), None))
    found = database.read(
        lambda tx: messages.find_same(
            tx, feed="saint-orla", control_id="C1", content_hash=fingerprint(RAW), traffic=Traffic.LIVE
        )
    )
    assert found is None


def test_the_newest_come_first(database: Database) -> None:
    kept = [message(received=NOW + i * SECOND, feed="a") for i in range(6)]
    database.write(lambda tx: [messages.add(tx, each, None) for each in kept] and None)
    assert database.read(lambda tx: messages.recent(tx, limit=3)) == kept[:2:-1]


def test_live_and_test_messages_are_listed_and_counted_apart(database: Database) -> None:
    live, test = message(), message(traffic=Traffic.TEST, feed=None)
    database.write(lambda tx: [messages.add(tx, each, None) for each in (live, test)] and None)
    assert database.read(lambda tx: messages.recent_traffic(tx, traffic=Traffic.TEST)) == [test]
    assert database.read(lambda tx: messages.count_since(tx, traffic=Traffic.LIVE, since=NOW)) == {"saint-orla": 1}
    assert database.read(lambda tx: messages.count_since(tx, traffic=Traffic.TEST, since=NOW)) == {None: 1}
    assert database.read(lambda tx: messages.count_since(tx, traffic=Traffic.LIVE, since=NOW + SECOND)) == {}


def test_feeds_are_counted_by_day_and_outcome(database: Database) -> None:
    def day_of(tx: Tx, offset: timedelta, **changes: object) -> None:
        messages.add(tx, message(received=NOW + offset, **changes), None)

    def work(tx: Tx) -> None:
        day_of(tx, timedelta())
        day_of(tx, -SECOND)
        day_of(tx, timedelta(days=1), outcome=Outcome.DUPLICATE)
        day_of(tx, timedelta(), feed=None, outcome=Outcome.QUARANTINED)
        day_of(tx, timedelta(), traffic=Traffic.TEST)

    database.write(work)
    database.write(lambda tx: day_of(tx, 5 * SECOND))
    found = database.read(lambda tx: feeds.days(tx, traffic=Traffic.LIVE, since=date(2031, 5, 6)))
    assert [(each.feed, each.day.day, each.outcome, each.messages, each.last_received) for each in found] == [
        (None, 6, "quarantined", 1, NOW),
        ("saint-orla", 6, "kept", 3, NOW + 5 * SECOND),
        ("saint-orla", 7, "duplicate", 1, NOW + timedelta(days=1)),
    ]
    totals = database.read(lambda tx: feeds.totals(tx, traffic=Traffic.LIVE))
    assert [(each.feed, each.messages) for each in totals] == [(None, 1), ("saint-orla", 4)]


def test_a_late_counter_does_not_turn_the_clock_back(database: Database) -> None:
    for offset in (5 * SECOND, SECOND):
        database.write(lambda tx, at=NOW + offset: messages.add(tx, message(received=at), None))
    (total,) = database.read(lambda tx: feeds.totals(tx, traffic=Traffic.LIVE))
    assert total.last_received == NOW + 5 * SECOND


def test_quarantine_says_why_until_somebody_has_seen_to_it(database: Database) -> None:
    live = message(feed=None, outcome=Outcome.QUARANTINED)
    test = message(traffic=Traffic.TEST, outcome=Outcome.QUARANTINED)

    def why(message_id: str, **changes: object) -> Quarantined:
        return Quarantined(
            message=message_id,
            code="hl7-no-trigger",
            says="MSH-9 names no trigger",
            at=NOW,
            path="MSH-9",
            line=1,
            **changes,  # type: ignore[arg-type]
        )

    def work(tx: Tx) -> None:
        for each in (live, test):
            messages.add(tx, each, RAW)
            quarantine.add(tx, why(each.id))

    database.write(work)
    expected = [why(live.id, feed=None, door="mllp"), why(test.id, feed="saint-orla", door="mllp")]
    assert sorted(database.read(quarantine.open_items), key=lambda each: each.message) == expected
    assert database.read(lambda tx: quarantine.open_items(tx, traffic=Traffic.LIVE)) == expected[:1]
    assert database.read(quarantine.count_open) == 2
    assert database.read(lambda tx: quarantine.count_open(tx, traffic=Traffic.TEST)) == 1
    assert database.write(lambda tx: quarantine.settle(tx, live.id, at=NOW, by="ines"))
    assert not database.write(lambda tx: quarantine.settle(tx, live.id, at=NOW, by="ines"))
    assert database.read(quarantine.open_items) == expected[1:]


def test_nothing_lies_in_quarantine_without_its_message(database: Database) -> None:
    lost = Quarantined(message="none", code="hl7-no-trigger", says="", at=NOW)
    with pytest.raises(GatewayFault):
        database.write(lambda tx: quarantine.add(tx, lost))
