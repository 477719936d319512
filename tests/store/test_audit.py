"""The chain of what was done."""

import hashlib
from collections.abc import Callable

import pytest
from sqlalchemy import delete, insert, update

from gateway.store import audit
from gateway.store.audit import Entry, Verdict
from gateway.store.database import Database
from gateway.store.statements import Statement
from gateway.store.tables import AUDIT
from tests.store.samples import NOW


def entry(number: int) -> Entry:
    return Entry(at=NOW, who="ines", what="looked", records=(f"visit-{number}",), why="")


@pytest.fixture
def chain(database: Database) -> Database:
    for start in (0, 3):
        database.write(lambda tx, start=start: [audit.append(tx, entry(start + n)) for n in range(3)] and None)
    return database


def change(database: Database, clause: object) -> None:
    statement = Statement(clause)  # type: ignore[arg-type]
    database.write(lambda tx: tx.run(statement))


def verify(database: Database) -> Verdict:
    return database.read(audit.verify)


def test_an_untouched_chain_holds(chain: Database) -> None:
    verdict = verify(chain)
    assert verdict.broken_at is None
    assert verdict.head == chain.read(audit.head)
    assert verdict.head.number == 6


def test_an_empty_chain_holds(database: Database) -> None:
    assert verify(database).head.number == 0


def test_entries_come_back_newest_first(chain: Database) -> None:
    found = chain.read(lambda tx: audit.recent(tx, limit=2))
    assert [(each.number, each.records) for each in found] == [(6, ("visit-5",)), (5, ("visit-4",))]
    assert found[0].at == NOW


def test_the_hash_is_what_the_module_says(database: Database) -> None:
    """Worked out by hand from the rule at the top of the module, with SHA-256 of the standard library."""
    database.write(lambda tx: audit.append(tx, Entry(at=NOW, who="ines", what="looked", records=("a", "b"), why="é")))
    micros = int(NOW.timestamp()) * 1_000_000 + NOW.microsecond
    row = f'[1,{micros},"ines","looked","[\\"a\\",\\"b\\"]","é"]'
    assert database.read(audit.head).hash == hashlib.sha256(bytes(32) + row.encode()).digest()


@pytest.mark.parametrize(
    "values", [{"who": "olu"}, {"what": "changed"}, {"at": 0}, {"records": "[]"}, {"why": "x"}, {"hash": bytes(32)}]
)
def test_an_altered_row_is_found(chain: Database, values: dict[str, object]) -> None:
    change(chain, update(AUDIT).where(AUDIT.c.number == 4).values(**values))
    assert verify(chain).broken_at == 4
    assert verify(chain).head.number == 3


@pytest.mark.parametrize("number", [1, 4])
def test_a_missing_row_is_found(chain: Database, number: int) -> None:
    change(chain, delete(AUDIT).where(AUDIT.c.number == number))
    assert verify(chain).broken_at == number


def test_a_row_put_in_front_is_found(chain: Database) -> None:
    row = {"number": 0, "at": 0, "who": "", "what": "", "records": "[]", "why": "", "hash": bytes(32)}
    change(chain, insert(AUDIT).values(**row))
    assert verify(chain).broken_at == 1


def test_rows_cut_off_show_in_the_head(chain: Database) -> None:
    """The chain itself cannot tell; the head kept elsewhere can."""
    kept = chain.read(audit.head)
    change(chain, delete(AUDIT).where(AUDIT.c.number == 6))
    assert verify(chain).broken_at is None
    assert verify(chain).head != kept


def test_two_processes_make_one_chain(open_again: Callable[[], Database]) -> None:
    processes = [open_again(), open_again()]
    futures = [process.submit(lambda tx: audit.append(tx, entry(0))) for _ in range(30) for process in processes]
    for future in futures:
        future.result(20)
    assert (verify(processes[0]).broken_at, verify(processes[1]).head.number) == (None, 60)


def test_a_chain_longer_than_a_page_is_walked_to_its_end(database: Database) -> None:
    database.write(lambda tx: [audit.append(tx, entry(n)) for n in range(2500)] and None)
    assert (verify(database).head.number, verify(database).broken_at) == (2500, None)
    change(database, update(AUDIT).where(AUDIT.c.number == 2222).values(who="olu"))
    assert verify(database).broken_at == 2222
