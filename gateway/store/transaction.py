"""The transaction a store function works in.

Every store function takes one as its first argument, so the caller sees what is atomic. It runs prepared
statements and knows the keys; it neither begins nor commits: that is the writer's or the reader's affair.

Some rows are written best when the whole transaction is known: numbers without gaps, a chain of hashes,
counters that every message of a batch raises. `defer` gathers what they are made of, and the writer has them
written once, just before it commits. A lock that all processes want is then held only for that moment, and
always taken in the same order.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from gateway.store.encryption import KeyRing
from gateway.store.engines import Engine
from gateway.store.statements import Statement

Row = tuple[Any, ...]
Item = TypeVar("Item")
Closing = Callable[["Tx", list[Any]], None]


class Tx:
    """One transaction on one connection; `keys` seal and open what is kept in confidence."""

    __slots__ = ("_cursor", "_dialect", "_lock", "deferred", "keys")

    def __init__(self, cursor: Any, engine: Engine, keys: KeyRing) -> None:
        """Take an open cursor of the driver; the caller has begun the transaction."""
        self._cursor = cursor
        self._dialect = engine.dialect
        self._lock = engine.lock
        self.keys = keys
        self.deferred: list[tuple[Closing, Any]] = []

    def rows(self, statement: Statement, **values: Any) -> list[Row]:
        """Run a query and give back all its rows."""
        self._execute(statement, values)
        found: list[Row] = self._cursor.fetchall()
        return found

    def find(self, statement: Statement, **values: Any) -> Row | None:
        """Run a query and give back its first row, or None."""
        found = self.rows(statement, **values)
        return found[0] if found else None

    def run(self, statement: Statement, **values: Any) -> int:
        """Run a change and give back how many rows it touched."""
        self._execute(statement, values)
        touched: int = self._cursor.rowcount
        return touched

    def run_each(self, statement: Statement, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run a change once for each row of values."""
        text, constants = statement.compiled(self._dialect)
        self._cursor.executemany(text, [{**constants, **values} for values in rows])

    @property
    def is_alone(self) -> bool:
        """Whether no other process can change anything before the commit: locks would be taken for nothing."""
        return self._lock is None

    def lock(self, *names: str) -> None:
        """Hold, until the commit, the right to change what `names` name; waits while another process has it.

        On SQLite the transaction itself is that right. Take several locks in a fixed order.
        """
        if self._lock is not None:
            digest = hashlib.sha256("\0".join(names).encode()).digest()
            self._cursor.execute(self._lock, {"number": int.from_bytes(digest[:8], "big", signed=True)})

    def defer(self, closing: Callable[["Tx", list[Item]], None], item: Item) -> None:
        """Hand `item` to `closing` just before the commit, with all others of the same transaction."""
        self.deferred.append((closing, item))

    def _execute(self, statement: Statement, values: dict[str, Any]) -> None:
        text, constants = statement.compiled(self._dialect)
        self._cursor.execute(text, {**constants, **values} if constants else values)


def close(tx: Tx) -> None:
    """Write what was deferred: each kind once, in the order of their names, which all processes share."""
    gathered: dict[Closing, list[Any]] = {}
    for closing, item in tx.deferred:
        gathered.setdefault(closing, []).append(item)
    tx.deferred.clear()
    for closing in sorted(gathered, key=lambda each: f"{each.__module__}.{each.__qualname__}"):
        closing(tx, gathered[closing])
