"""Visits."""

from collections.abc import Callable

import pytest

from gateway.errors import GatewayFault
from gateway.records import Traffic, VisitState
from gateway.store import messages, visits
from gateway.store.database import Database
from gateway.store.transaction import Tx
from gateway.store.visits import StoredVisit
from tests.store.samples import NOW, SECOND, message, new_id, visit


@pytest.fixture
def said_by(database: Database) -> str:
    kept = message()
    database.write(lambda tx: messages.add(tx, kept, None))
    return kept.id


def adding(said_by: str, key: str = "V1", traffic: Traffic = Traffic.LIVE) -> Callable[[Tx], StoredVisit]:
    return lambda tx: visits.add(
        tx, visit(key, traffic=traffic), visit_id=new_id("visit"), message=said_by, event_time=NOW, at=NOW
    )


def find(database: Database, key: str = "V1", traffic: Traffic = Traffic.LIVE) -> StoredVisit | None:
    return database.read(lambda tx: visits.find(tx, organisation="saint-orla", key=key, traffic=traffic))


def test_a_visit_is_found_by_organisation_key_and_traffic(database: Database, said_by: str) -> None:
    stored = database.write(adding(said_by))
    assert find(database) == stored
    assert database.read(lambda tx: visits.get(tx, stored.id)) == stored
    assert stored.visit == visit()
    assert find(database, "V2") is None
    assert find(database, traffic=Traffic.TEST) is None


def test_one_visit_is_not_kept_twice(database: Database, said_by: str) -> None:
    database.write(adding(said_by))
    with pytest.raises(GatewayFault, match="visits"):
        database.write(adding(said_by))
    database.write(adding(said_by, traffic=Traffic.TEST))


def test_a_newer_content_takes_the_place_of_the_older(database: Database, said_by: str) -> None:
    stored = database.write(adding(said_by))
    left = visit(state=VisitState.DISCHARGED)

    def discharge(tx: Tx) -> StoredVisit:
        return visits.replace(tx, stored, left, message=said_by, event_time=NOW + SECOND, at=NOW + SECOND)

    newer = database.write(discharge)
    assert (newer.version, newer.visit, newer.created, newer.updated) == (2, left, NOW, NOW + SECOND)
    assert find(database) == newer
    with pytest.raises(GatewayFault, match="changed meanwhile"):
        database.write(discharge)


def test_lists_and_counts_need_no_content(database: Database, said_by: str) -> None:
    for key in ("V1", "V2"):
        database.write(adding(said_by, key))
    lines = database.read(lambda tx: visits.recent(tx, traffic=Traffic.LIVE))
    assert {(line.state, line.started, line.ended, line.version) for line in lines} == {
        (VisitState.PRESENT, NOW, None, 1)
    }
    assert database.read(lambda tx: visits.count(tx, traffic=Traffic.LIVE)) == {("saint-orla", VisitState.PRESENT): 2}
    assert database.read(lambda tx: visits.recent(tx, traffic=Traffic.TEST)) == []


def test_an_unknown_visit_is_a_fault(database: Database) -> None:
    with pytest.raises(GatewayFault):
        database.read(lambda tx: visits.get(tx, "none"))


@pytest.mark.parametrize("kind", ["postgres"], indirect=True)
def test_two_processes_cannot_both_take_a_visit_for_new(open_again: Callable[[], Database]) -> None:
    """Design, section 6: any number of processes against one PostgreSQL."""
    processes = [open_again(), open_again()]
    kept = message()
    processes[0].write(lambda tx: messages.add(tx, kept, None))

    def apply(tx: Tx) -> int:
        visits.lock(tx, organisation="saint-orla", key="V1", traffic=Traffic.LIVE)
        stored = visits.find(tx, organisation="saint-orla", key="V1", traffic=Traffic.LIVE)
        if stored is None:
            return adding(kept.id)(tx).version
        return visits.replace(tx, stored, visit(), message=kept.id, event_time=NOW, at=NOW).version

    futures = [process.submit(apply) for process in processes for _ in range(15)]
    assert sorted(future.result(20) for future in futures) == list(range(1, 31))
