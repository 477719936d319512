"""SQL statements, written once in SQLAlchemy Core and compiled once for each database.

A statement is made when its module is imported and compiled when a database first runs it. From then on it
is a string with named parameters that goes straight to the driver: on the path of a message this costs a
tenth of what the full machinery of result objects would, and every value bound is already a driver's type.

Only `bindparam` and plain constants may stand in a statement; `in_` with a list cannot be compiled ahead.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

from sqlalchemy import Table, bindparam, insert
from sqlalchemy.dialects.postgresql import insert as insert_or
from sqlalchemy.engine import Dialect
from sqlalchemy.sql.dml import Insert
from sqlalchemy.sql.elements import CompilerElement


class Compiled(NamedTuple):
    """A statement for one database: its text, and the constants that stand in it as parameters."""

    text: str
    constants: Mapping[str, Any]


class Statement:
    """One statement for every database."""

    def __init__(self, clause: CompilerElement) -> None:
        self._clause = clause
        self._compiled: dict[str, Compiled] = {}

    def compiled(self, dialect: Dialect) -> Compiled:
        """Give back the text for this database."""
        found = self._compiled.get(dialect.name)
        return found if found is not None else self._compile(dialect)

    def _compile(self, dialect: Dialect) -> Compiled:
        compiled = self._clause.compile(dialect=dialect)
        constants = {name: value for name, value in compiled.params.items() if value is not None}
        self._compiled[dialect.name] = Compiled(str(compiled), constants)
        return self._compiled[dialect.name]


def insert_into(table: Table, *, without: frozenset[str] = frozenset()) -> Insert:
    """An insert with one parameter for each column, but those that the database fills itself."""
    return insert(table).values({c.name: bindparam(c.name) for c in table.columns if c.name not in without})


def upsert_into(table: Table, changes: Mapping[str, Any]) -> Insert:
    """An insert that makes `changes` instead where the primary key is there already.

    Both databases write this the same way (`ON CONFLICT … DO UPDATE`), so PostgreSQL's construct serves
    SQLite too; SQLAlchemy has no neutral one.
    """
    values: dict[str, Any] = {column.name: bindparam(column.name) for column in table.columns}
    key = [column.name for column in table.primary_key]
    return insert_or(table).values(values).on_conflict_do_update(index_elements=key, set_=changes)
