"""Submissions to the report web service, on both databases."""

from datetime import timedelta

import pytest
from sqlalchemy import select, update

from gateway.errors import GatewayFault
from gateway.store import submissions
from gateway.store.database import Database
from gateway.store.statements import Statement
from gateway.store.submissions import Submission
from gateway.store.tables import SUBMISSIONS
from tests.store.samples import FAMILY, NOW, SECOND

REPORT = f"<xmlValidationErrorReport/><!-- {FAMILY} -->".encode() * 50
LATER = NOW + timedelta(minutes=10)


def submission(handle: str = "h1", **changes: object) -> Submission:
    values: dict[str, object] = {
        "handle": handle,
        "feed": "harrow-point-reports",
        "data_schema": 61,
        "schema_version": "3.5.1",
        "code": 0,
        "received": NOW,
    }
    return Submission(**(values | changes))  # type: ignore[arg-type]


def claim(database: Database, who: str, now: object = NOW) -> str | None:
    found = database.write(lambda tx: submissions.claim(tx, who=who, now=now, until=now + timedelta(minutes=5)))  # type: ignore[arg-type, operator]
    return None if found is None else found.handle


def test_a_settled_submission_is_found_with_its_report(database: Database) -> None:
    kept = submission(code=3, settled=NOW)
    database.write(lambda tx: submissions.add(tx, kept, report=REPORT))
    assert database.read(lambda tx: submissions.find(tx, "h1")) == kept
    assert database.read(lambda tx: submissions.get_report(tx, "h1")) == REPORT
    assert database.read(lambda tx: submissions.find(tx, "h2")) is None
    assert database.read(lambda tx: submissions.get_report(tx, "h2")) is None


def test_the_report_is_sealed_for_its_handle(database: Database) -> None:
    for handle in ("h1", "h2"):
        database.write(lambda tx, h=handle: submissions.add(tx, submission(h, settled=NOW), report=REPORT))
    stored = database.read(lambda tx: tx.rows(Statement(select(SUBMISSIONS.c.report))))
    assert all(FAMILY.encode() not in bytes(row[0]) for row in stored)
    moved = Statement(update(SUBMISSIONS).where(SUBMISSIONS.c.handle == "h1").values(report=bytes(stored[1][0])))
    database.write(lambda tx: tx.run(moved))
    with pytest.raises(GatewayFault):
        database.read(lambda tx: submissions.get_report(tx, "h1"))


def test_the_oldest_is_claimed_first_and_by_one_alone(database: Database) -> None:
    database.write(lambda tx: submissions.add(tx, submission("young", received=NOW + SECOND)))
    database.write(lambda tx: submissions.add(tx, submission("old")))
    database.write(lambda tx: submissions.add(tx, submission("done", settled=NOW)))
    assert [claim(database, "w1"), claim(database, "w2"), claim(database, "w3")] == ["old", "young", None]


def test_a_claim_ends_by_itself_unless_it_is_renewed(database: Database) -> None:
    database.write(lambda tx: submissions.add(tx, submission()))
    assert claim(database, "w1") == "h1"
    assert claim(database, "w2", NOW + timedelta(minutes=5)) is None
    assert database.write(lambda tx: submissions.renew(tx, "h1", who="w1", until=NOW + timedelta(minutes=9)))
    assert claim(database, "w2", NOW + timedelta(minutes=6)) is None
    assert claim(database, "w2", LATER) == "h1"
    assert not database.write(lambda tx: submissions.renew(tx, "h1", who="w1", until=LATER))


def test_who_adds_it_may_have_claimed_it_already(database: Database) -> None:
    database.write(lambda tx: submissions.add(tx, submission(), claimed_by="w1", lease_until=LATER))
    assert claim(database, "w2") is None
    assert database.write(submissions.release_all) == 1
    assert claim(database, "w2") == "h1"


def test_it_is_settled_once(database: Database) -> None:
    database.write(lambda tx: submissions.add(tx, submission()))
    database.write(lambda tx: submissions.note(tx, "h1", 10))
    found = database.read(lambda tx: submissions.find(tx, "h1"))
    assert found is not None
    assert (found.code, found.settled) == (10, None)
    assert database.write(lambda tx: submissions.settle(tx, "h1", code=1, report=REPORT, at=LATER))
    assert not database.write(lambda tx: submissions.settle(tx, "h1", code=-20, report=None, at=LATER))
    database.write(lambda tx: submissions.note(tx, "h1", 10))
    assert database.read(lambda tx: submissions.find(tx, "h1")) == submission(code=1, settled=LATER)
    assert claim(database, "w1") is None


def test_reports_are_forgotten_and_codes_stay(database: Database) -> None:
    database.write(lambda tx: submissions.add(tx, submission("old", code=1, settled=NOW), report=REPORT))
    database.write(lambda tx: submissions.add(tx, submission("new", code=1, settled=LATER), report=REPORT))
    assert database.write(lambda tx: submissions.forget_reports(tx, LATER)) == 1
    assert database.read(lambda tx: submissions.get_report(tx, "old")) is None
    assert database.read(lambda tx: submissions.get_report(tx, "new")) == REPORT
    assert database.read(lambda tx: submissions.find(tx, "old")) == submission("old", code=1, settled=NOW)
