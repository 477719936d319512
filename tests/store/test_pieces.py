"""Large messages in pieces, on both databases."""

import pytest
from sqlalchemy import update

from gateway.errors import GatewayFault
from gateway.store import messages, pieces, submissions
from gateway.store.database import Database
from gateway.store.statements import Statement
from gateway.store.submissions import Submission
from gateway.store.tables import MESSAGE_PIECES
from tests.store.samples import NOW, message


def put(database: Database, owner: str, *parts: bytes) -> None:
    for number, part in enumerate(parts):
        database.write(lambda tx, n=number, p=part: pieces.add(tx, owner, n, p))


def test_a_message_is_read_from_its_pieces(database: Database) -> None:
    put(database, "m1", b"<EMS", b"Data", b"Set/>")
    with pytest.raises(GatewayFault):
        database.read(lambda tx: messages.get_raw(tx, "m2"))
    database.write(lambda tx: messages.add(tx, message(id="m1"), None))
    assert database.read(lambda tx: messages.get_raw(tx, "m1")) == b"<EMSDataSet/>"
    assert database.read(lambda tx: pieces.find(tx, "m1", 3)) is None


def test_a_piece_in_another_s_place_does_not_open(database: Database) -> None:
    put(database, "m1", b"one", b"two")
    swap = Statement(update(MESSAGE_PIECES).where(MESSAGE_PIECES.c.number == 1).values(message="m2", number=0))
    database.write(lambda tx: tx.run(swap))
    with pytest.raises(GatewayFault, match="altered, or belongs elsewhere"):
        database.read(lambda tx: pieces.find(tx, "m2", 0))


def test_what_belongs_to_nothing_is_dropped_once_it_is_old(database: Database) -> None:
    for owner in ("a-kept", "a-left", "a-settled", "a-waiting", "z-new"):
        put(database, owner, b"1", b"2")
    database.write(lambda tx: messages.add(tx, message(id="a-kept"), None))
    for handle, settled in (("a-waiting", None), ("a-settled", NOW)):
        submission = Submission(
            handle=handle, feed="f", data_schema=61, schema_version="3.5.1", code=0, received=NOW, settled=settled
        )
        database.write(lambda tx, each=submission: submissions.add(tx, each))
    assert database.write(lambda tx: pieces.drop_left_over(tx, "b")) == 4
    left = [owner for owner in ("a-kept", "a-left", "a-settled", "a-waiting", "z-new") if _there(database, owner)]
    assert left == ["a-kept", "a-waiting", "z-new"]
    assert database.write(lambda tx: pieces.drop(tx, "a-waiting")) == 2


def _there(database: Database, owner: str) -> bool:
    return database.read(lambda tx: pieces.gather(tx, owner)) is not None
