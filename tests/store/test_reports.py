"""Care reports and their history."""

from collections.abc import Callable

import msgspec
import pytest
from msgspec.structs import replace
from sqlalchemy import select, update

from gateway.errors import GatewayFault
from gateway.records import CareReport, Origin, Traffic
from gateway.store import messages, reports
from gateway.store.database import Database
from gateway.store.reports import StoredReport
from gateway.store.statements import Statement
from gateway.store.tables import REPORT_VERSIONS, REPORTS
from gateway.store.transaction import Tx
from tests.store.samples import NOW, SECOND, message, new_id, report


@pytest.fixture
def said_by(database: Database) -> str:
    kept = message()
    database.write(lambda tx: messages.add(tx, kept, None))
    return kept.id


def add(database: Database, said_by: str, content: CareReport) -> StoredReport:
    return database.write(
        lambda tx: reports.add(tx, content, report_id=new_id("report"), message=said_by, event_time=NOW, at=NOW)
    )


def replacing(stored: StoredReport, content: CareReport) -> Callable[[Tx], StoredReport]:
    return lambda tx: reports.replace(
        tx, stored, content, message=stored.message, event_time=None, at=stored.updated + SECOND
    )


def find(database: Database, **changes: object) -> StoredReport | None:
    values = {"organisation": "harrow-point", "key": "R1", "traffic": Traffic.LIVE} | changes
    return database.read(lambda tx: reports.find(tx, **values))  # type: ignore[arg-type]


def test_a_report_is_found_by_organisation_key_and_traffic(database: Database, said_by: str) -> None:
    stored = add(database, said_by, report())
    assert find(database) == stored
    assert database.read(lambda tx: reports.get(tx, stored.id)) == stored
    assert stored.version == 1
    assert find(database, organisation="larkfield") is None
    assert find(database, key="R2") is None
    assert find(database, traffic=Traffic.TEST) is None


def test_one_report_is_not_kept_twice(database: Database, said_by: str) -> None:
    add(database, said_by, report())
    with pytest.raises(GatewayFault, match="reports"):
        add(database, said_by, report())
    add(database, said_by, report(traffic=Traffic.TEST))
    add(database, said_by, report(organisation="larkfield"))


def test_what_was_replaced_stays_in_the_history(database: Database, said_by: str) -> None:
    contents = [report(narrative=f"version {n}", partial=n == 2) for n in (1, 2, 3)]
    stored = add(database, said_by, contents[0])
    for content in contents[1:]:
        stored = database.write(replacing(stored, content))
    assert find(database) == stored
    assert (stored.version, stored.report, stored.event_time) == (3, contents[2], None)
    past = database.read(lambda tx: reports.history(tx, stored.id))
    assert [(each.version, each.report) for each in past] == [(1, contents[0]), (2, contents[1])]
    assert [each.updated for each in past] == [NOW, NOW + SECOND]


def test_what_is_not_the_newest_replaces_nothing(database: Database, said_by: str) -> None:
    stored = add(database, said_by, report())
    newer = database.write(replacing(stored, report(narrative="second")))
    with pytest.raises(GatewayFault):
        database.write(replacing(stored, report(narrative="late")))
    assert find(database) == newer
    assert len(database.read(lambda tx: reports.history(tx, stored.id))) == 1


def test_an_older_content_put_back_by_hand_does_not_open(database: Database, said_by: str) -> None:
    stored = add(database, said_by, report())
    database.write(replacing(stored, report(narrative="second")))
    old = select(REPORT_VERSIONS.c.content).where(REPORT_VERSIONS.c.report == stored.id).scalar_subquery()
    put_back = Statement(update(REPORTS).where(REPORTS.c.id == stored.id).values(content=old))
    database.write(lambda tx: tx.run(put_back))
    with pytest.raises(GatewayFault, match="altered"):
        find(database)


def test_equal_contents_have_equal_hashes(database: Database, said_by: str) -> None:
    first = add(database, said_by, report(key="A"))
    again = database.write(replacing(first, report(key="A")))
    other = add(database, said_by, report(key="B"))
    assert first.content_hash == again.content_hash != other.content_hash


def test_a_report_needs_its_message(database: Database) -> None:
    with pytest.raises(GatewayFault):
        add(database, "no such message", report())


def test_lists_and_counts_need_no_content(database: Database, said_by: str) -> None:
    stored = [add(database, said_by, report(key=f"R{n}")) for n in range(3)]
    newest = database.write(replacing(stored[0], report(key="R0", partial=True)))
    lines = database.read(lambda tx: reports.recent(tx, traffic=Traffic.LIVE, limit=2))
    assert (lines[0].id, lines[0].partial, lines[0].version, lines[0].destination) == (newest.id, True, 2, "saint-orla")
    assert len(lines) == 2
    assert database.read(lambda tx: reports.count(tx, traffic=Traffic.LIVE)) == {"harrow-point": 3}
    assert database.read(lambda tx: reports.count(tx, traffic=Traffic.TEST)) == {}


def test_an_unknown_report_is_a_fault(database: Database) -> None:
    with pytest.raises(GatewayFault):
        database.read(lambda tx: reports.get(tx, "none"))


def test_every_field_survives(database: Database, said_by: str) -> None:
    """What is kept is msgspec's JSON; read back by its own decoder here, it is the same record."""
    content = report(narrative='"\\\u0000\u202e\n', uuid="a" * 36, mass_casualty=False)
    assert add(database, said_by, content).report == content
    found = find(database)
    assert found is not None
    assert found.report == msgspec.json.decode(msgspec.json.encode(content), type=CareReport) == content


ORIGINS = {"number": Origin("/EMSDataSet/Header[1]/PatientCareReport[1]/eRecord/eRecord.01", 13, "nemsis-3.5: number")}


def test_where_the_values_stood_is_there_for_whoever_asks(database: Database, said_by: str) -> None:
    first = report(origins=ORIGINS)
    stored = add(database, said_by, first)
    assert stored == find(database)
    assert stored.report == replace(first, origins={})
    assert database.read(lambda tx: reports.get_whole(tx, stored)) == first
    newer = database.write(replacing(stored, report(narrative="second")))
    assert database.read(lambda tx: reports.get_whole(tx, newer)) == newer.report
    assert database.read(lambda tx: reports.get_whole(tx, stored)) == stored.report


def test_origins_of_another_version_do_not_open(database: Database, said_by: str) -> None:
    stored = add(database, said_by, report(origins=ORIGINS))
    newer = database.write(replacing(stored, report(narrative="second")))
    old = select(REPORT_VERSIONS.c.origins).where(REPORT_VERSIONS.c.report == stored.id).scalar_subquery()
    put_back = Statement(update(REPORTS).where(REPORTS.c.id == stored.id).values(origins=old))
    database.write(lambda tx: tx.run(put_back))
    with pytest.raises(GatewayFault, match="altered"):
        database.read(lambda tx: reports.get_whole(tx, newer))
