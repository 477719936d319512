"""The writer: savepoints, group commit, and what happens when the database fails."""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future

import psycopg
import pytest
from sqlalchemy.engine import make_url

from gateway.errors import GatewayError, GatewayFault, StoreUnavailable
from gateway.store import accounts, audit, episodes, events, messages
from gateway.store.accounts import Account
from gateway.store.database import Database
from gateway.store.transaction import Tx
from tests.store.conftest import Server
from tests.store.samples import NOW, RAW, episode, message, notice

LONG = 20.0  # seconds after which a test gives up waiting


def add(name: str) -> Callable[[Tx], None]:
    return lambda tx: accounts.add(tx, Account(name=name, password_hash="$argon2id$", created=NOW))


def add_and_fail(name: str) -> Callable[[Tx], None]:
    def work(tx: Tx) -> None:
        add(name)(tx)
        raise LookupError("a mistake of the work")

    return work


def names(database: Database) -> list[str]:
    return [account.name for account in database.read(accounts.everyone)]


class Gate:
    """Keeps the writer busy until it is opened, so that what is submitted meanwhile shares one batch."""

    def __init__(self, database: Database) -> None:
        self._open, entered = threading.Event(), threading.Event()

        def work(tx: Tx) -> None:
            entered.set()
            assert self._open.wait(LONG)

        self._future = database.submit(work)
        assert entered.wait(LONG)

    def open(self) -> None:
        self._open.set()
        self._future.result(LONG)


def test_a_work_gives_back_its_value_and_its_rows_stay(database: Database) -> None:
    def work(tx: Tx) -> str:
        add("ines")(tx)
        return "done"

    assert database.write(work) == "done"
    assert names(database) == ["ines"]


def test_a_work_that_raises_is_rolled_back_alone(database: Database) -> None:
    """Design, section 4: batches share a commit; a savepoint isolates each message."""
    gate = Gate(database)
    futures = [database.submit(add_and_fail(f"n{i}") if i % 2 else add(f"n{i}")) for i in range(6)]
    gate.open()
    for i, future in enumerate(futures):
        if i % 2:
            with pytest.raises(LookupError):
                future.result(LONG)
        else:
            future.result(LONG)
    assert names(database) == ["n0", "n2", "n4"]


def test_what_waits_shares_one_transaction(database: Database) -> None:
    seen: list[Tx] = []
    gate = Gate(database)
    futures = [database.submit(seen.append) for _ in range(10)]
    gate.open()
    for future in futures:
        future.result(LONG)
    assert len(seen) == 10
    assert all(tx is seen[0] for tx in seen)


def test_a_batch_is_no_larger_than_allowed(url: str, key_file: object) -> None:
    seen: list[Tx] = []
    with Database.open(url, key_file=key_file, now=NOW, batch=4) as database:  # type: ignore[arg-type]
        gate = Gate(database)
        futures = [database.submit(seen.append) for _ in range(10)]
        gate.open()
        for future in futures:
            future.result(LONG)
    assert [sum(tx is other for other in seen) for tx in seen] == [4] * 8 + [2] * 2


def test_nobody_is_answered_before_the_commit(database: Database) -> None:
    """Design, section 4, steps 4 and 5: only after the transaction does the answer go back."""
    gate = Gate(database)
    first = database.submit(add("first"))
    observed: list[tuple[bool, list[str]]] = []
    second = database.submit(lambda _: observed.append((first.done(), names(database))))
    gate.open()
    second.result(LONG)
    first.result(LONG)
    assert observed == [(False, [])]
    assert names(database) == ["first"]


def test_what_the_database_refuses_tells_the_rule_and_no_value(database: Database) -> None:
    database.write(add("ines"))
    with pytest.raises(GatewayFault) as caught:
        database.write(add("ines"))
    assert not isinstance(caught.value, StoreUnavailable)
    assert "ines" not in str(caught.value)
    assert "accounts" in str(caught.value)


def fail_the_commit(database: Database, server: Server | None) -> Callable[[Tx], None]:
    """A work that makes the database refuse the commit of its transaction: SQLite by its authorizer, whose
    denial is an error of the COMMIT itself; PostgreSQL by ending the connection, as a lost server would."""

    def refuse(tx: Tx) -> None:
        import sqlite3

        def decide(action: int, what: str | None, *_: object) -> int:
            commit = action == sqlite3.SQLITE_TRANSACTION and what == "COMMIT"
            return sqlite3.SQLITE_DENY if commit else sqlite3.SQLITE_OK

        tx._cursor.connection.set_authorizer(decide)

    def end(tx: Tx) -> None:
        assert server is not None
        server.run(f"SELECT pg_terminate_backend({tx._cursor.connection.info.backend_pid})")

    return refuse if server is None else end


@pytest.fixture
def breaking(database: Database, kind: str, request: pytest.FixtureRequest) -> Callable[[Tx], None]:
    return fail_the_commit(database, request.getfixturevalue("server") if kind == "postgres" else None)


def test_a_failed_commit_keeps_nothing_and_tells_everybody(database: Database, breaking: Callable[[Tx], None]) -> None:
    gate = Gate(database)
    futures = [database.submit(add("one")), database.submit(add("two")), database.submit(breaking)]
    gate.open()
    for future in futures:
        with pytest.raises(StoreUnavailable) as caught:
            future.result(LONG)
        assert caught.value.__cause__ is not None
    assert names(database) == []
    database.write(add("three"))  # and the writer is well again
    assert names(database) == ["three"]


def test_each_waiting_caller_gets_an_error_of_its_own(database: Database, breaking: Callable[[Tx], None]) -> None:
    gate = Gate(database)
    futures: list[Future[None]] = [database.submit(add("one")), database.submit(breaking)]
    gate.open()
    assert futures[0].exception(LONG) is not futures[1].exception(LONG)


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_a_full_disk_is_unavailable_and_leaves_nothing_half_stored(database: Database) -> None:
    """SQLite, PRAGMA max_page_count: an insert past the limit fails as on a full disk (SQLITE_FULL)."""
    database.write(add("before"))

    def fill(tx: Tx) -> None:
        tx._cursor.execute("PRAGMA page_count")
        pages = tx._cursor.fetchone()[0]
        tx._cursor.execute(f"PRAGMA max_page_count = {pages}")
        messages.add(tx, message(), RAW)
        messages.add(tx, message(), bytes(1_000_000))

    with pytest.raises(StoreUnavailable, match="FULL"):
        database.write(fill)
    assert database.read(messages.recent) == []
    assert names(database) == ["before"]


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_a_database_that_another_process_keeps_locked_is_unavailable(database: Database) -> None:
    database.write(lambda tx: tx._cursor.execute("PRAGMA busy_timeout = 1") and None)
    import sqlite3

    other = sqlite3.connect(database._engine._engine.url.database, isolation_level=None)  # type: ignore[attr-defined]
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="BUSY"):
        database.write(add("kept out"))
    other.execute("ROLLBACK")
    other.close()
    database.write(add("let in"))
    assert names(database) == ["let in"]


@pytest.mark.parametrize("kind", ["postgres"], indirect=True)
def test_a_lost_connection_is_made_anew(database: Database, server: Server) -> None:
    pid = database.write(lambda tx: tx._cursor.connection.info.backend_pid)
    server.run(f"SELECT pg_terminate_backend({pid})")
    with pytest.raises(StoreUnavailable):
        database.write(add("lost"))
    database.write(add("ines"))
    assert names(database) == ["ines"]


def test_a_deferred_row_that_is_refused_fails_its_own_work_alone(database: Database) -> None:
    """The rule of the module: a batch that cannot be closed is done again, each work by itself."""
    gate = Gate(database)
    good = database.submit(add("good"))
    bad = database.submit(lambda tx: events.tell(tx, notice("anvil-head", "no such episode")))
    also_good = database.submit(lambda tx: audit.append(tx, audit.Entry(at=NOW, who="ines", what="looked")))
    gate.open()
    good.result(LONG)
    also_good.result(LONG)
    with pytest.raises(GatewayFault):
        bad.result(LONG)
    assert names(database) == ["good"]
    assert database.read(audit.head).number == 1


def test_what_a_failed_work_deferred_is_not_written(database: Database) -> None:
    def work(tx: Tx) -> None:
        audit.append(tx, audit.Entry(at=NOW, who="ines", what="looked"))
        raise LookupError

    gate = Gate(database)
    bad, good = database.submit(work), database.submit(add("good"))
    gate.open()
    good.result(LONG)
    assert isinstance(bad.exception(LONG), LookupError)
    assert database.read(audit.head).number == 0


@pytest.mark.parametrize("kind", ["postgres"], indirect=True)
def test_two_processes_that_wait_for_each_other_both_get_through(open_again: Callable[[], Database]) -> None:
    """PostgreSQL manual, section 13.3.4: one transaction of a deadlock is aborted; ours is then done again."""
    first, second = open_again(), open_again()
    has_a, has_b = threading.Event(), threading.Event()

    def a_then_b(tx: Tx) -> None:
        episodes.lock_band(tx, "A")
        has_a.set()
        assert has_b.wait(LONG)
        episodes.lock_band(tx, "B")
        add("first")(tx)

    def b_then_a(tx: Tx) -> None:
        episodes.lock_band(tx, "B")
        has_b.set()
        assert has_a.wait(LONG)
        episodes.lock_band(tx, "A")
        add("second")(tx)

    futures = [first.submit(a_then_b), second.submit(b_then_a)]
    for future in futures:
        future.result(LONG)
    assert names(first) == ["first", "second"]


@pytest.mark.parametrize("kind", ["postgres"], indirect=True)
def test_two_processes_cannot_open_one_band_twice(open_again: Callable[[], Database]) -> None:
    """Design, section 6: rows locked per band."""
    from gateway.records import Traffic

    processes = [open_again(), open_again()]

    def open_if_need_be(tx: Tx) -> str:
        episodes.lock_band(tx, "B")
        found = episodes.find_open(tx, "B", traffic=Traffic.LIVE)
        if found is None:
            found = episode("B")
            episodes.add(tx, found)
        return found.id

    futures = [process.submit(open_if_need_be) for process in processes for _ in range(20)]
    assert len({future.result(LONG) for future in futures}) == 1


def test_tasks_of_an_event_loop_wait_without_blocking_it(database: Database) -> None:
    async def main() -> list[object]:
        works = [add_and_fail("x") if i == 3 else add(f"n{i}") for i in range(6)]
        return await asyncio.gather(*(database.awrite(work) for work in works), return_exceptions=True)

    answers = asyncio.run(main())
    assert [type(answer) for answer in answers] == [type(None)] * 3 + [LookupError] + [type(None)] * 2
    assert len(names(database)) == 5


def test_who_stops_waiting_does_not_disturb_the_others(database: Database) -> None:
    async def main() -> None:
        gate = await asyncio.to_thread(Gate, database)
        tasks = [asyncio.create_task(database.awrite(add(f"n{i}"))) for i in range(3)]
        await asyncio.sleep(0)  # lets the tasks begin; no time passes
        tasks[1].cancel()
        await asyncio.to_thread(gate.open)
        await asyncio.gather(*tasks, return_exceptions=True)

    asyncio.run(main())
    assert names(database) == ["n0", "n2"]


def test_a_loop_that_is_gone_does_not_end_the_writer(database: Database) -> None:
    gate = Gate(database)

    async def leave() -> None:
        task = asyncio.create_task(database.awrite(add("orphan")))
        await asyncio.sleep(0)  # lets the task begin
        del task

    loop = asyncio.new_event_loop()
    loop.run_until_complete(leave())
    loop.run_until_complete(asyncio.sleep(0))
    pending = asyncio.all_tasks(loop)
    loop.close()
    gate.open()
    database.write(add("after"))
    assert database.alive
    assert names(database) == ["after", "orphan"]
    for task in pending:
        task._log_destroy_pending = False  # type: ignore[attr-defined]


def test_a_future_called_off_before_its_turn_is_not_done(database: Database) -> None:
    gate = Gate(database)
    future = database.submit(add("x"))
    assert future.cancel()
    gate.open()
    database.write(add("y"))
    assert names(database) == ["y"]


def test_closing_finishes_what_waits_and_refuses_what_comes_later(open_again: Callable[[], Database]) -> None:
    database = open_again()
    futures = [database.submit(add(f"n{i}")) for i in range(50)]
    database.close()
    assert all(future.done() and future.exception() is None for future in futures)
    assert not database.alive
    with pytest.raises(StoreUnavailable, match="closed"):
        database.submit(add("late"))
    with pytest.raises(GatewayError):
        database.read(accounts.everyone)
    database.close()
    assert len(names(open_again())) == 50


def test_threads_that_write_at_once_lose_nothing(database: Database) -> None:
    def write(number: int) -> None:
        for i in range(10):
            database.write(add(f"{number}-{i}"))

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(LONG)
    assert len(names(database)) == 80


def test_the_server_under_test_is_a_real_one(server: Server) -> None:
    address = make_url(server.address).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(address) as connection:
        assert connection.info.server_version >= 140000
