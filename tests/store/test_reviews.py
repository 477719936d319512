"""Reviews and their answers."""

import pytest

from gateway.errors import GatewayFault
from gateway.records import RecordKind, Review, ReviewState, Traffic
from gateway.store import episodes, reviews
from gateway.store.database import Database
from gateway.store.reviews import Answer
from tests.store.samples import NOW, SECOND, episode, new_id


def review(**changes: object) -> Review:
    values: dict[str, object] = {
        "id": new_id("review"),
        "state": ReviewState.OPEN,
        "question": "contradiction",
        "says": "the sex differs",
        "opened": NOW,
        "records": ((RecordKind.VISIT, "v1"), (RecordKind.CARE_REPORT, "r1")),
    }
    return Review(**(values | changes))  # type: ignore[arg-type]


def test_a_review_is_found_by_its_episode_and_records(database: Database) -> None:
    home = episode()
    database.write(lambda tx: episodes.add(tx, home))
    asked = review(episode=home.id)
    database.write(lambda tx: reviews.add(tx, asked))
    assert database.read(lambda tx: reviews.get(tx, asked.id)) == asked
    assert database.read(lambda tx: reviews.of_episode(tx, home.id)) == [asked]
    assert database.read(lambda tx: reviews.of_record(tx, RecordKind.CARE_REPORT, "r1")) == [asked]
    assert database.read(lambda tx: reviews.of_record(tx, RecordKind.VISIT, "r1")) == []


def test_open_reviews_come_oldest_first_and_by_traffic(database: Database) -> None:
    later, earlier = review(opened=NOW + SECOND), review()
    exercise = review(traffic=Traffic.TEST)
    database.write(lambda tx: [reviews.add(tx, each) for each in (later, earlier, exercise)] and None)
    assert database.read(lambda tx: reviews.open_reviews(tx, traffic=Traffic.LIVE)) == [earlier, later]
    assert database.read(lambda tx: reviews.open_reviews(tx, traffic=Traffic.LIVE, limit=1)) == [earlier]
    assert database.read(lambda tx: reviews.count(tx, traffic=Traffic.TEST)) == {ReviewState.OPEN: 1}


def test_a_review_is_answered_once(database: Database) -> None:
    asked = review()
    database.write(lambda tx: reviews.add(tx, asked))
    assert database.read(lambda tx: reviews.find_answer(tx, asked.id)) is None
    assert database.write(lambda tx: reviews.answer(tx, asked.id, "same-patient", by="ines", at=NOW))
    assert not database.write(lambda tx: reviews.answer(tx, asked.id, "other-patient", by="olu", at=NOW))
    assert database.read(lambda tx: reviews.find_answer(tx, asked.id)) == Answer(
        answer="same-patient", by="ines", at=NOW
    )
    assert database.read(lambda tx: reviews.get(tx, asked.id)).state is ReviewState.ANSWERED
    assert database.read(lambda tx: reviews.open_reviews(tx, traffic=Traffic.LIVE)) == []


def test_an_unknown_review_is_a_fault(database: Database) -> None:
    with pytest.raises(GatewayFault):
        database.read(lambda tx: reviews.get(tx, "none"))
    with pytest.raises(GatewayFault):
        database.write(lambda tx: reviews.add(tx, review(episode="none")))
