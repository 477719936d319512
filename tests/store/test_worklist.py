"""A feed's work list."""

from datetime import datetime

from gateway.findings import finding
from gateway.records import Finding, Traffic
from gateway.store import worklist
from gateway.store.database import Database
from gateway.store.worklist import Item
from tests.store.samples import NOW, SECOND

FREE_TEXT = finding("band-free-text-only", path="NTE[2]-3", line=9)
NOTE = finding("band-folded", path="PID-3[1].1")


def add(database: Database, *findings: Finding, feed: str = "orla", message: str = "m1", at: datetime = NOW) -> None:
    database.write(lambda tx: worklist.add(tx, findings, feed=feed, message=message, at=at, traffic=Traffic.LIVE))


def items(database: Database, feed: str | None = None, traffic: Traffic = Traffic.LIVE) -> list[Item]:
    return database.read(lambda tx: worklist.open_items(tx, traffic=traffic, feed=feed))


def test_one_fault_often_is_one_item_with_the_newest_example(database: Database) -> None:
    add(database, FREE_TEXT, FREE_TEXT)
    add(database, finding("band-free-text-only", path="NTE[7]-3", line=12), message="m2", at=NOW + SECOND)
    (item,) = items(database)
    assert item == Item(
        feed="orla",
        traffic=Traffic.LIVE,
        code="band-free-text-only",
        place="NTE-3",
        level=FREE_TEXT.level,
        says=FREE_TEXT.message,
        remedy=FREE_TEXT.remedy,
        path="NTE[7]-3",
        line=12,
        message="m2",
        times=3,
        first_seen=NOW,
        last_seen=NOW + SECOND,
    )


def test_other_places_feeds_and_codes_are_other_items(database: Database) -> None:
    add(database, FREE_TEXT, finding("band-free-text-only", path="OBX[1]-5"), finding("band-several", path="NTE[2]-3"))
    add(database, FREE_TEXT, feed="fenwick")
    assert len(items(database)) == 4
    assert len(items(database, "orla")) == 3
    assert database.read(lambda tx: worklist.count_open(tx, traffic=Traffic.LIVE)) == {"orla": 3, "fenwick": 1}


def test_notes_are_no_work(database: Database) -> None:
    add(database, NOTE)
    assert items(database) == []


def test_test_traffic_is_kept_apart(database: Database) -> None:
    add(database, FREE_TEXT)
    assert items(database, traffic=Traffic.TEST) == []


def test_a_settled_item_comes_back_when_the_fault_does(database: Database) -> None:
    def settle() -> bool:
        return database.write(
            lambda tx: worklist.settle(
                tx,
                feed="orla",
                traffic=Traffic.LIVE,
                code=FREE_TEXT.code,
                place="NTE-3",
                at=NOW + SECOND,
                by="ines",
            )
        )

    add(database, FREE_TEXT)
    assert settle()
    assert not settle()
    assert items(database) == []
    add(database, FREE_TEXT, at=NOW)  # received before it was settled, stored after
    assert items(database) == []
    add(database, FREE_TEXT, at=NOW + 2 * SECOND)
    assert [item.times for item in items(database)] == [3]
