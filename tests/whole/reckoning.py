"""What must be true of a store and its receivers once the senders are done, whatever happened on the way.

Compared are three books that know nothing of each other: what the senders wrote down, what the store holds, and what
the receivers were sent. What each run must become is said by the writer of the fixtures.
"""

import hashlib
import sqlite3
from collections import Counter, defaultdict
from contextlib import closing
from typing import Any, NamedTuple

import orjson

from gateway.records import Delivery, DeliveryState, Traffic
from gateway.store import audit, deliveries, events
from gateway.store.statements import Statement
from gateway.store.tables import EVENTS, MESSAGES
from gateway.store.transaction import Tx
from tests.receivers import field
from tests.whole.senders import Book
from tests.wire.process import Gateway
from tests.working import Case, expected, found_in

MANY = 1_000_000
KEPT_WHAT = ("visit-kept", "report-kept")


class Arrived(NamedTuple):
    """One notification at a receiver; `id` is that of its delivery as far as the channel carries it."""

    id: str
    content: bytes


def arrived_by_mllp(messages: list[bytes]) -> list[Arrived]:
    """MSH-10 carries the id."""
    return [Arrived(field(each, 10).decode(), each) for each in messages]


def arrived_by_http(requests: list[tuple[str, dict[str, str], bytes]], path: str) -> list[Arrived]:
    """Bundle.id carries it."""
    return [Arrived(orjson.loads(body)["id"], body) for where, _, body in requests if where == path]


def check_messages(tx: Tx, book: Book) -> None:
    """Every acknowledged message is kept exactly once, with one answer; nothing is kept that nobody sent."""
    table = Statement(MESSAGES.select().with_only_columns(MESSAGES.c.content_hash, MESSAGES.c.outcome, MESSAGES.c.id))
    rows = tx.rows(table)
    kept = Counter(bytes(content) for content, outcome, _ in rows if outcome == "kept")
    assert kept == Counter({hashlib.sha256(message).digest(): 1 for message in book.left}), "kept exactly once"
    assert {outcome for _, outcome, _ in rows} <= {"kept", "duplicate"}
    assert book.answers.keys() == book.left.keys(), "every message was acknowledged in the end"
    assert {message: set(codes) for message, codes in book.answers.items() if len(set(codes)) > 1} == {}
    assert len(rows) <= book.left.total(), "no message came more often than it was sent"


def check_effects(tx: Tx) -> None:
    """No message took effect twice: one audit row says what it was kept as, and the chain of them holds."""
    verdict = audit.verify(tx)
    assert verdict.broken_at is None
    entries = audit.recent(tx, limit=MANY)
    assert len(entries) == verdict.head.number
    applied = Counter(entry.records[1] for entry in entries if entry.what in KEPT_WHAT)
    assert [message for message, times in applied.items() if times > 1] == []


def check_links(tx: Tx, cases: list[Case]) -> None:
    """Every run became what it must, and nothing else did."""
    wanted = [expected(case) for case in cases]
    found = found_in(tx, Traffic.LIVE)
    assert found.episodes == {bands: links for each in wanted for bands, links in each.episodes.items()}
    assert found.reviews == []


def check_deliveries(tx: Tx, arrived: dict[str, list[Arrived]]) -> None:
    """What was queued arrived: all of it, in order for each episode, the same bytes under the same id, nothing else."""
    for name, sent in arrived.items():
        queued = all_deliveries(tx, name)
        assert [each.number for each in queued] == [
            each.number for each in events.since(tx, name, number=0, limit=MANY)
        ]
        assert [each.number for each in queued] == list(range(1, len(queued) + 1)), "numbers without gaps"
        assert {each.state for each in queued} <= {DeliveryState.DELIVERED}
        by_id = {_told_id(each, sent): each for each in queued}
        assert {each.id for each in sent} == by_id.keys()
        first: dict[str, list[int]] = defaultdict(list)
        for told in dict.fromkeys(each.id for each in sent):
            first[by_id[told].episode].append(by_id[told].number)
        assert [numbers for numbers in first.values() if numbers != sorted(numbers)] == []
        contents: dict[str, set[bytes]] = defaultdict(set)
        for each in sent:
            contents[each.id].add(each.content)
        assert [told for told, bodies in contents.items() if len(bodies) > 1] == []


def check_told(cases: list[Case], arrived: dict[str, list[Arrived]], who: dict[str, str]) -> None:
    """Each facility that has a subscriber was told of its own patients, by band; `who` says whose a subscriber is."""
    told = {name: b"\n".join(each.content for each in sent) for name, sent in arrived.items()}
    for case in cases:
        (band, *_) = case["becomes"]["episodes"][0]["bands"]
        missed = [
            n for n, facility in who.items() if facility in case["becomes"]["notified"] and band.encode() not in told[n]
        ]
        assert missed == [], case["id"]


def check_file(gateway: Gateway) -> None:
    """SQLite finds no fault with its own file."""
    with closing(sqlite3.connect(gateway.data / "gateway.db")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def all_deliveries(tx: Tx, subscription: str) -> list[Delivery]:
    """Every delivery of a subscription, in order."""
    every = [each for state in DeliveryState for each in deliveries.in_state(tx, state, limit=MANY)]
    return sorted((each for each in every if each.subscription == subscription), key=lambda each: each.number)


def unsettled(tx: Tx) -> int:
    """How many deliveries are still on their way."""
    settled = (DeliveryState.DELIVERED, DeliveryState.HELD)
    return sum(number for (_, state), number in deliveries.count(tx).items() if state not in settled)


def effects(tx: Tx) -> tuple[Any, ...]:
    """What a message that came before may not change: what is kept, told, and written down about both."""
    kept = Statement(MESSAGES.select().with_only_columns(MESSAGES.c.id).where(MESSAGES.c.outcome == "kept"))
    told = Statement(EVENTS.select().with_only_columns(EVENTS.c.number))
    return len(tx.rows(kept)), len(tx.rows(told)), audit.head(tx).number


def _told_id(delivery: Delivery, sent: list[Arrived]) -> str:
    """The delivery's id as its channel carries it: HL7 v2 has room for 20 characters in MSH-10."""
    return delivery.id[: len(sent[0].id)] if sent else delivery.id
