"""A database that refuses one table, as a full disk or a broken rule would in the middle of a transaction.

The refusal comes from the database itself: a trigger, made and dropped over a connection of its own.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

import psycopg
from sqlalchemy.engine import make_url

_SQLITE = "CREATE TRIGGER sabotage BEFORE INSERT ON {table} {when} BEGIN SELECT RAISE(ABORT, 'sabotage'); END"
_POSTGRES = (
    "CREATE OR REPLACE FUNCTION sabotage() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION USING ERRCODE = 'check_violation', MESSAGE = 'sabotage'; END $$",
    "CREATE TRIGGER sabotage BEFORE INSERT ON {table} FOR EACH ROW {when} EXECUTE FUNCTION sabotage()",
)


@contextmanager
def refusing(url: str, table: str, *, when: str = "") -> Iterator[None]:
    """Let the database refuse new rows of `table`, all of them or those that fit `when` (`NEW.kind = 'visit'`)."""
    condition = f"WHEN ({when})" if when else ""
    if make_url(url).get_backend_name() == "sqlite":
        _run_sqlite(url, _SQLITE.format(table=table, when=condition))
        try:
            yield
        finally:
            _run_sqlite(url, "DROP TRIGGER sabotage")
    else:
        _run_postgres(url, *(each.format(table=table, when=condition) for each in _POSTGRES))
        try:
            yield
        finally:
            _run_postgres(url, f"DROP TRIGGER sabotage ON {table}", "DROP FUNCTION sabotage")


def _run_sqlite(url: str, sql: str) -> None:
    with closing(sqlite3.connect(str(make_url(url).database))) as connection:
        connection.execute(sql)
        connection.commit()


def _run_postgres(url: str, *steps: str) -> None:
    address = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(address, autocommit=True) as connection:
        for step in steps:
            connection.execute(step.encode())
