"""Who may sign in to the pages.

Only the Argon2 string is kept, which holds its own salt and costs; making and checking it is the affair of
the sign-in page.
"""

from datetime import datetime

from sqlalchemy import bindparam, delete, select, update

from gateway.records import Record
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import ACCOUNTS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Tx

_C = ACCOUNTS.c
_INSERT = Statement(insert_into(ACCOUNTS))
_ALL = select(_C.name, _C.password_hash, _C.created)
_FIND = Statement(_ALL.where(_C.name == bindparam("name")))
_LIST = Statement(_ALL.order_by(_C.name))
_CHANGE = Statement(update(ACCOUNTS).where(_C.name == bindparam("of")).values(password_hash=bindparam("password_hash")))
_REMOVE = Statement(delete(ACCOUNTS).where(_C.name == bindparam("name")))


class Account(Record, frozen=True, kw_only=True):
    """One sign-in."""

    name: str
    password_hash: str
    created: datetime


def add(tx: Tx, account: Account) -> None:
    """Add an account. Raises `GatewayFault` when the name is taken."""
    tx.run(_INSERT, name=account.name, password_hash=account.password_hash, created=to_micros(account.created))


def find(tx: Tx, name: str) -> Account | None:
    """Find an account by its name."""
    row = tx.find(_FIND, name=name)
    return None if row is None else Account(name=row[0], password_hash=row[1], created=from_micros(row[2]))


def everyone(tx: Tx) -> list[Account]:
    """Give back all accounts, by name."""
    return [Account(name=name, password_hash=text, created=from_micros(at)) for name, text, at in tx.rows(_LIST)]


def change_hash(tx: Tx, name: str, password_hash: str) -> bool:
    """Give an account another password; False when there is none of that name."""
    return tx.run(_CHANGE, of=name, password_hash=password_hash) == 1


def remove(tx: Tx, name: str) -> bool:
    """Remove an account; False when there is none of that name."""
    return tx.run(_REMOVE, name=name) == 1
