"""What agencies say about themselves: the latest of each, sealed."""

from datetime import datetime

from sqlalchemy import select

from gateway.records import Traffic
from gateway.records.demographics import Agency, Facility
from gateway.store import demographics
from gateway.store.database import Database
from gateway.store.demographics import KeptAgency
from gateway.store.statements import Statement
from gateway.store.tables import DEMOGRAPHICS
from tests.store.samples import NOW, SECOND

HARROW = Agency(state_id="YF-HP01", number="HP01", name="Harrow Point Ambulance", state="99")
ORLA, FENWICK = Facility(name="Saint Orla Hospital", code="SO01"), Facility(name="Fenwick Children's", code="FC01")


def put(
    database: Database, agency: Agency, *, feed: str = "harrow", traffic: Traffic = Traffic.LIVE, at: datetime = NOW
) -> bool:
    return database.write(lambda tx: demographics.put(tx, agency, feed=feed, traffic=traffic, at=at))


def everything(database: Database, traffic: Traffic = Traffic.LIVE) -> list[KeptAgency]:
    return database.read(lambda tx: demographics.everything(tx, traffic=traffic))


def with_facilities(*facilities: Facility, number: str = "HP01", state: str = "99") -> Agency:
    return Agency(state_id="YF", number=number, state=state, facilities=facilities)


def test_the_latest_takes_the_place_of_all_before(database: Database) -> None:
    """NEMSIS UUID guide: what a demographic submission does not name has been deleted."""
    assert put(database, with_facilities(ORLA, FENWICK))
    assert put(database, with_facilities(FENWICK), at=NOW + SECOND)
    (kept,) = everything(database)
    assert kept == KeptAgency(agency=with_facilities(FENWICK), feed="harrow", since=NOW + SECOND)


def test_the_same_again_changes_nothing(database: Database) -> None:
    assert put(database, HARROW)
    assert not put(database, HARROW, at=NOW + SECOND, feed="another")
    (kept,) = everything(database)
    assert (kept.since, kept.feed) == (NOW, "harrow")


def test_a_number_is_a_number_of_its_state_and_test_traffic_stands_apart(database: Database) -> None:
    """dAgency.04 is the state that issued dAgency.02 (NEMSIS 3.5.1 XSD)."""
    put(database, with_facilities(state="98"))
    put(database, with_facilities(state="99"))
    put(database, with_facilities(ORLA, state="99"), traffic=Traffic.TEST)
    assert [each.agency.state for each in everything(database)] == ["98", "99"]
    assert [each.agency.facilities for each in everything(database, Traffic.TEST)] == [(ORLA,)]


def test_one_can_be_found(database: Database) -> None:
    put(database, HARROW)
    found = database.read(lambda tx: demographics.find(tx, state="99", number="HP01", traffic=Traffic.LIVE))
    assert found is not None
    assert found.agency == HARROW
    assert database.read(lambda tx: demographics.find(tx, state="99", number="no", traffic=Traffic.LIVE)) is None


def test_the_content_is_sealed(database: Database) -> None:
    put(database, HARROW)
    ((content,),) = database.read(lambda tx: tx.rows(Statement(select(DEMOGRAPHICS.c.content))))
    assert b"Harrow" not in bytes(content)
