"""Opening, reading, keys, closing."""

import asyncio
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import update

from gateway.errors import ConfigurationFault, GatewayFault, StoreUnavailable, UsageFault
from gateway.store import accounts, audit, messages, visits
from gateway.store.accounts import Account
from gateway.store.database import READERS, Database
from gateway.store.encryption import add_key, make_keys
from gateway.store.statements import Statement
from gateway.store.tables import MESSAGES
from gateway.store.transaction import Tx
from tests.store.samples import BAND, FAMILY, NOW, RAW, message, new_id, visit

LONG = 20.0


def keep_message(database: Database) -> str:
    kept = message()
    database.write(lambda tx: messages.add(tx, kept, RAW))
    return kept.id


def add_account(name: str) -> Callable[[Tx], None]:
    return lambda tx: accounts.add(tx, Account(name=name, password_hash="x", created=NOW))


def test_opened_again_it_holds_what_was_written(open_again: Callable[[], Database]) -> None:
    first = open_again()
    kept = keep_message(first)
    first.close()
    assert open_again().read(lambda tx: messages.get_raw(tx, kept)) == RAW


def test_fifty_openings_leave_no_file_open(url: str, key_file: Path) -> None:
    def turn() -> None:
        with Database.open(url, key_file=key_file, now=NOW) as database:
            database.write(lambda tx: audit.append(tx, audit.Entry(at=NOW, who="ines", what="looked")))
            read_with_all_readers(database)
            with pytest.raises(GatewayFault):
                database.read(lambda tx: messages.get(tx, "none"))
            with pytest.raises(LookupError):
                database.write(fail)

    turn()
    before = open_things()
    for _ in range(50):
        turn()
    assert open_things() == before


def open_things() -> tuple[int, int]:
    return len(list(Path("/proc/self/fd").iterdir())), threading.active_count()


def read_with_all_readers(database: Database) -> None:
    """Every reader holds its connection until all have one."""
    together = threading.Barrier(READERS)

    async def main() -> None:
        await asyncio.gather(*(database.aread(lambda _: together.wait(LONG)) for _ in range(READERS)))

    asyncio.run(main())


def fail(tx: Tx) -> None:
    raise LookupError("a mistake of the work")


def fail_after_reading(tx: Tx) -> None:
    accounts.everyone(tx)
    fail(tx)


def test_a_reader_cannot_write(database: Database) -> None:
    with pytest.raises(StoreUnavailable):
        database.read(add_account("ines"))
    assert database.read(accounts.everyone) == []


def test_reading_goes_on_while_a_write_takes_long(database: Database) -> None:
    """Style, habit 14: a page that lists reports can never wait for a message, nor the other way round."""
    database.write(add_account("before"))
    entered, leave = threading.Event(), threading.Event()

    def slow(tx: Tx) -> None:
        add_account("during")(tx)
        entered.set()
        assert leave.wait(LONG)

    future = database.submit(slow)
    assert entered.wait(LONG)
    assert [a.name for a in database.read(accounts.everyone)] == ["before"]
    leave.set()
    future.result(LONG)
    assert [a.name for a in database.read(accounts.everyone)] == ["before", "during"]


def test_writing_goes_on_while_a_read_takes_long_and_the_read_sees_one_moment(database: Database) -> None:
    database.write(add_account("before"))
    entered, leave = threading.Event(), threading.Event()

    def slow(tx: Tx) -> tuple[int, int]:
        first = len(accounts.everyone(tx))
        entered.set()
        assert leave.wait(LONG)
        return first, len(accounts.everyone(tx))

    async def main() -> tuple[int, int]:
        reading = asyncio.create_task(database.aread(slow))
        await asyncio.to_thread(entered.wait, LONG)
        await database.awrite(add_account("during"))
        leave.set()
        return await reading

    assert asyncio.run(main()) == (1, 1)


def test_more_reads_than_readers_wait_for_their_turn(database: Database) -> None:
    async def main() -> list[int]:
        return await asyncio.gather(*(database.aread(lambda tx: len(accounts.everyone(tx))) for _ in range(40)))

    assert asyncio.run(main()) == [0] * 40


def test_a_read_that_raises_leaves_the_readers_well(database: Database) -> None:
    for _ in range(10):
        with pytest.raises(LookupError):
            database.read(fail)
    assert database.read(accounts.everyone) == []


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_a_read_that_raised_keeps_no_snapshot(database: Database) -> None:
    """A reader that stays in its transaction keeps the log from ever being checkpointed (sqlite.org/wal.html §6)."""
    caught = []
    for _ in range(4):
        with pytest.raises(LookupError) as info:
            database.read(lambda tx: fail_after_reading(tx))
        caught.append(info)  # the traceback lives on, as it would in a log
    database.write(add_account("ines"))
    path = database._engine._engine.url.database  # type: ignore[attr-defined]
    import sqlite3

    other = sqlite3.connect(path, isolation_level=None)
    busy, _, _ = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    other.close()
    assert busy == 0
    assert len(caught) == 4


# ── opened beside a running gateway ─────────────────────────────────────────────────────────────────


def test_another_process_can_look_while_the_gateway_runs(database: Database, url: str, key_file: Path) -> None:
    kept = keep_message(database)
    with Database.open_to_read(url, key_file=key_file) as other:
        assert other.read(lambda tx: messages.get_raw(tx, kept)) == RAW
        assert not other.alive
        with pytest.raises(StoreUnavailable, match="reading only"):
            other.submit(add_account("x"))


def test_it_can_be_looked_at_after_the_gateway_has_stopped(
    open_again: Callable[[], Database], url: str, key_file: Path
) -> None:
    database = open_again()
    kept = keep_message(database)
    database.close()
    with Database.open_to_read(url, key_file=key_file) as other:
        assert other.read(lambda tx: messages.get(tx, kept)).id == kept


def test_looking_at_a_database_without_tables_says_so(empty_url: str, key_file: Path, kind: str) -> None:
    with pytest.raises(UsageFault):
        Database.open_to_read(empty_url, key_file=key_file)
    if kind == "sqlite":
        assert not Path(empty_url.removeprefix("sqlite:///")).exists()


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_looking_at_a_file_that_is_no_database_says_so(tmp_path: Path, key_file: Path, kind: str) -> None:
    (tmp_path / "notes.txt").write_text("not a database " * 100)
    url = f"sqlite:///{tmp_path / 'notes.txt'}"
    with pytest.raises(StoreUnavailable, match="NOTADB"):
        Database.open_to_read(url, key_file=key_file)
    with pytest.raises(StoreUnavailable, match="NOTADB"):
        Database.open(url, key_file=key_file, now=NOW)


# ── addresses ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "url", ["", "gateway.db", "sqlite://", "sqlite:///:memory:", "mysql://h/d", "postgresql+x://h/d"]
)
def test_an_address_we_cannot_use_is_refused(url: str, tmp_path: Path) -> None:
    with pytest.raises(UsageFault):
        Database.open(url, key_file=tmp_path / "key", now=NOW)


def test_a_server_that_does_not_answer_is_unavailable_and_its_password_not_shown(tmp_path: Path) -> None:
    url = f"postgresql+psycopg://gateway:hush@/gateway?host={tmp_path}"
    with pytest.raises(StoreUnavailable) as caught:
        Database.open(url, key_file=tmp_path / "key", now=NOW)
    assert "hush" not in str(caught.value)
    assert not (tmp_path / "key").exists()


# ── keys ───────────────────────────────────────────────────────────────────────────────────────────


def test_the_first_opening_makes_the_key(database: Database, key_file: Path) -> None:
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600


def test_without_its_key_the_database_does_not_open(open_again: Callable[[], Database], key_file: Path) -> None:
    open_again().close()
    key_file.unlink()
    with pytest.raises(ConfigurationFault, match="missing"):
        open_again()
    assert not key_file.exists(), "no new key may take the place of the lost one"


def test_with_another_key_the_database_does_not_open(open_again: Callable[[], Database], key_file: Path) -> None:
    open_again().close()
    key_file.unlink()
    make_keys(key_file)
    with pytest.raises(ConfigurationFault, match="put back the key file"):
        open_again()


def test_a_key_file_open_to_others_stops_the_opening(open_again: Callable[[], Database], key_file: Path) -> None:
    open_again().close()
    key_file.chmod(0o644)
    with pytest.raises(ConfigurationFault, match="chmod 600"):
        open_again()


def test_a_changed_key_seals_what_is_new_and_opens_what_is_old(
    open_again: Callable[[], Database], key_file: Path
) -> None:
    first = open_again()
    old = keep_message(first)
    first.close()
    add_key(key_file)
    second = open_again()
    new = keep_message(second)
    assert [second.read(lambda tx, each=each: messages.get_raw(tx, each)) for each in (old, new)] == [RAW, RAW]


def test_an_altered_message_does_not_open(database: Database) -> None:
    first, second = keep_message(database), keep_message(database)
    swap = Statement(update(MESSAGES).where(MESSAGES.c.id == second).values(content=_content_of(first)))
    database.write(lambda tx: tx.run(swap))
    with pytest.raises(GatewayFault, match=f"messages:{second}: the sealed content was altered"):
        database.read(lambda tx: messages.get_raw(tx, second))


def _content_of(message_id: str) -> object:
    from sqlalchemy import select

    other = MESSAGES.alias("other")
    return select(other.c.content).where(other.c.id == message_id).scalar_subquery()


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_the_files_are_for_their_owner_and_hold_no_person(database: Database, tmp_path: Path) -> None:
    def work(tx: Tx) -> None:
        kept = message()
        messages.add(tx, kept, RAW)
        visits.add(tx, visit(), visit_id=new_id("visit"), message=kept.id, event_time=NOW, at=NOW)

    database.write(work)
    files = list(tmp_path.glob("gateway.db*"))
    assert len(files) == 3, "the database, its log and the log's index"
    for file in files:
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        content = file.read_bytes()
        assert FAMILY.encode() not in content
        assert BAND.encode() not in content, "a visit's content is sealed; only a sighting shows a band"


@pytest.mark.parametrize("kind", ["sqlite"], indirect=True)
def test_every_commit_is_synced_and_references_are_checked(database: Database) -> None:
    """sqlite.org/pragma.html: synchronous 2 is FULL, foreign_keys 1 is on."""

    def ask(tx: Tx) -> list[object]:
        asked = []
        for pragma in ("journal_mode", "synchronous", "foreign_keys"):
            tx._cursor.execute(f"PRAGMA {pragma}")
            asked.append(tx._cursor.fetchone()[0])
        return asked

    assert database.write(ask) == ["wal", 2, 1]
