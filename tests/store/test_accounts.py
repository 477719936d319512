"""Who may sign in."""

import pytest

from gateway.errors import GatewayFault
from gateway.store import accounts
from gateway.store.accounts import Account
from gateway.store.database import Database
from tests.store.samples import NOW

INES = Account(name="ines", password_hash="$argon2id$v=19$one", created=NOW)


def test_an_account_is_found_by_its_name(database: Database) -> None:
    database.write(lambda tx: accounts.add(tx, INES))
    assert database.read(lambda tx: accounts.find(tx, "ines")) == INES
    assert database.read(lambda tx: accounts.find(tx, "Ines")) is None
    assert database.read(accounts.everyone) == [INES]


def test_a_name_is_taken_once(database: Database) -> None:
    database.write(lambda tx: accounts.add(tx, INES))
    with pytest.raises(GatewayFault):
        database.write(lambda tx: accounts.add(tx, INES))


def test_a_password_is_changed_and_an_account_removed(database: Database) -> None:
    database.write(lambda tx: accounts.add(tx, INES))
    assert database.write(lambda tx: accounts.change_hash(tx, "ines", "two"))
    found = database.read(lambda tx: accounts.find(tx, "ines"))
    assert found is not None
    assert found.password_hash == "two"
    assert database.write(lambda tx: accounts.remove(tx, "ines"))
    assert not database.write(lambda tx: accounts.remove(tx, "ines"))
    assert not database.write(lambda tx: accounts.change_hash(tx, "ines", "three"))
