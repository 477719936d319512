"""No question of the store reads a whole table, but those that count or list one.

Checked with SQLite's own account of what it will do (EXPLAIN QUERY PLAN, sqlite.org/eqp.html), in a database
without statistics: the worst that the planner may know.
"""

import importlib
import pkgutil
import re
import sqlite3
from pathlib import Path

import pytest

from gateway import store
from gateway.store.database import Database
from gateway.store.statements import Statement
from tests.store.samples import NOW

#: Questions of pages and reports that see everything, or everything in the order of an index.
WHOLE = {
    "accounts._LIST",
    "audit._HEAD",
    "audit._RECENT",
    "demographics._ALL",
    "deliveries._COUNTS",
    "feeds._DAYS",
    "feeds._TOTALS",
    "links._RECENT",
    "messages._RECENT",
    "quarantine._COUNT_ALL",
    "quarantine._COUNT_OF",
    "quarantine._OPEN_ALL",
    "quarantine._OPEN_OF",
    "reports._COUNTS",
    "reports._RECENT",
    "stages._ALL",
    "strangers._COUNT",  # the table holds five hundred rows at the most
    "strangers._FORGET",
    "strangers._FROM_ADDRESS",
    "strangers._NEWEST",
    "submissions._FREE",  # of those that wait, which have an index of their own
    "submissions._RELEASE_ALL",
    "trials._BANDS",
    "trials._ELSEWHERE",
    "trials._LINKS",
    "visits._COUNTS",
    "visits._RECENT",
    "worklist._COUNTS",
    "worklist._OPEN_ALL",
}
STATEMENTS = {
    f"{name}.{word}": value
    for _, name, _ in pkgutil.iter_modules(store.__path__)
    if name != "migrations"
    for word, value in vars(importlib.import_module(f"gateway.store.{name}")).items()
    if isinstance(value, Statement)
}


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plans")
    Database.open(f"sqlite:///{folder / 'g.db'}", key_file=folder / "key", now=NOW).close()
    return folder / "g.db"


def plan(path: Path, name: str) -> list[str]:
    from sqlalchemy import create_engine

    dialect = create_engine("sqlite://", paramstyle="named").dialect
    text = STATEMENTS[name].compiled(dialect).text
    connection = sqlite3.connect(path)
    values = dict.fromkeys(re.findall(r":(\w+)", text), 1)
    steps = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {text}", values)]
    connection.close()
    return steps


@pytest.mark.parametrize("name", sorted(STATEMENTS))
def test_it_goes_by_an_index(path: Path, name: str) -> None:
    scans = [step for step in plan(path, name) if step.startswith("SCAN")]
    assert bool(scans) == (name in WHOLE)


def test_a_repeated_message_is_found_by_all_that_makes_it_one(path: Path) -> None:
    """By its feed alone, which a planner without statistics may prefer, a feed's whole past would be read each time."""
    assert "ix_messages_known" in plan(path, "messages._SAME")[0]


def test_the_open_episode_is_found_by_its_band(path: Path) -> None:
    assert "uq_episode_bands_open" in plan(path, "episodes._FIND_OPEN")[0]
