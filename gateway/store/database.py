"""The database: one writer, many readers, brought to the newest tables when it is opened.

    database = Database.open("sqlite:////var/lib/gateway/gateway.db", key_file=Path("/var/lib/gateway/store.key"))
    link = await database.awrite(lambda tx: links.add(tx, link))       # returns after the commit
    recent = await database.aread(lambda tx: links.recent(tx, traffic))

* `submit`, `write` and `awrite` hand a function to the writer thread, see `gateway.store.writer`.
* `read` and `aread` run a function on a connection that cannot write, inside a transaction that sees one
  moment; on SQLite the writer never waits for them nor they for it.
* A key file is made once, with the database. A database that has been written with a key opens only with it.
"""

import asyncio
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from datetime import datetime
from pathlib import Path
from queue import LifoQueue
from types import TracebackType
from typing import Any, Self, TypeVar

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import insert, select
from sqlalchemy.engine import Connection

from gateway.errors import ConfigurationFault, Fault, StoreUnavailable, UsageFault
from gateway.store.encryption import KeyRing, make_keys, read_keys
from gateway.store.engines import Engine, engine_for, fault_of
from gateway.store.tables import KEYS
from gateway.store.times import to_micros
from gateway.store.transaction import Tx
from gateway.store.writer import Job, Writer

T = TypeVar("T")
BATCH = 256  # works that share a commit at most: about 0.1 s of writing, so nobody waits longer for it
READERS = 4
_MIGRATIONS = Path(__file__).parent / "migrations"


class Database:
    """An open database. Use `Database.open` or `Database.open_to_read`; close it when done."""

    def __init__(self, engine: Engine, keys: KeyRing, writer: Writer | None, readers: int) -> None:
        """Take what has been opened; `writer` is None where nothing may be written."""
        self._engine = engine
        self._keys = keys
        self._writer = writer
        self._pool = ThreadPoolExecutor(readers, thread_name_prefix="store-reader")
        self._readers = readers
        self._idle: LifoQueue[Any] = LifoQueue()  # connections, or None for one not made yet
        self._closed = False
        for _ in range(readers):
            self._idle.put(None)

    @classmethod
    def open(cls, url: str, *, key_file: Path, now: datetime, batch: int = BATCH, readers: int = READERS) -> Self:
        """Open a database, making or migrating its tables; `now` dates a key that is new to it.

        Raises `UsageFault` for an address we cannot use, `ConfigurationFault` for a key file that is missing,
        damaged, open to others or another database's, `StoreUnavailable` where the database does not answer.
        """
        engine = engine_for(url)
        keys = _attempt(engine, lambda: _prepare(engine, key_file, now))
        return cls(engine, keys, Writer(engine, keys, batch=batch), readers)

    @classmethod
    def open_to_read(cls, url: str, *, key_file: Path, readers: int = 1) -> Self:
        """Open a database that another process may be writing; changes nothing in it.

        Raises as `open` does, and `UsageFault` where there is no database or its tables are not the newest.
        """
        engine = engine_for(url)
        if not engine.exists():
            raise UsageFault("there is no database at this place")
        return cls(engine, _attempt(engine, lambda: _inspect(engine, key_file)), None, readers)

    @property
    def alive(self) -> bool:
        """Whether writing is possible at all; false once closed, or if the writer thread has ended."""
        return self._writer is not None and not self._closed and self._writer.alive

    @property
    def keys(self) -> KeyRing:
        """The keys of this database, to seal what is given away and must come back unchanged."""
        return self._keys

    def submit(self, work: Callable[[Tx], T]) -> "Future[T]":
        """Queue a write; the future is answered after the commit.

        The work may run more than once before one run is committed: it must use only its transaction.
        """
        future: Future[T] = Future()
        self._writing().put(Job(work, future, None))
        return future

    def write(self, work: Callable[[Tx], T]) -> T:
        """Write and wait for the commit; not for use on an event loop."""
        return self.submit(work).result()

    async def awrite(self, work: Callable[[Tx], T]) -> T:
        """Write and wait for the commit. Who stops waiting does not undo a write that has begun."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()
        self._writing().put(Job(work, future, loop))
        return await future

    def read(self, work: Callable[[Tx], T]) -> T:
        """Run a function that only reads; waits while all readers are busy. Not for use on an event loop."""
        connection = self._idle.get()
        try:
            if self._closed:
                raise StoreUnavailable("the store is closed")
            if connection is None:
                connection = self._engine.connect_reader()
            return self._look(connection, work)
        except Exception as error:
            _drop(connection)
            connection = None
            fault = fault_of(error, self._engine.dialect)
            if fault is error:
                raise
            raise fault from fault.__cause__
        finally:
            self._idle.put(connection)

    async def aread(self, work: Callable[[Tx], T]) -> T:
        """Run a function that only reads, on a reader's thread."""
        if self._closed:
            raise StoreUnavailable("the store is closed")
        return await asyncio.get_running_loop().run_in_executor(self._pool, self.read, work)

    def close(self) -> None:
        """Finish the writes that were queued and the reads that run, then let go. Safe to call twice."""
        if self._writer is not None:
            self._writer.close()
        self._pool.shutdown()
        if not self._closed:
            self._closed = True
            for connection in [self._idle.get() for _ in range(self._readers)]:  # waits for reads that run
                _drop(connection)
                self._idle.put(None)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _writing(self) -> Writer:
        if self._writer is None:
            raise StoreUnavailable("the store was opened for reading only")
        return self._writer

    def _look(self, connection: Any, work: Callable[[Tx], T]) -> T:
        with closing(connection.cursor()) as cursor:
            cursor.execute(self._engine.begin_reading)
            value = work(Tx(cursor, self._engine, self._keys))
            cursor.execute("ROLLBACK")
        return value


def _drop(connection: Any) -> None:
    if connection is not None:
        connection.close()


def _attempt(engine: Engine, step: Callable[[], T]) -> T:
    """Open something; the driver's complaints become ours, which SQLAlchemy has wrapped in its own."""
    try:
        return step()
    except Exception as error:
        fault = fault_of(getattr(error, "orig", None) or error, engine.dialect)
        if fault is error:
            raise
        raise fault from fault.__cause__


# ── tables and keys ────────────────────────────────────────────────────────────────────────────────


def _prepare(engine: Engine, key_file: Path, now: datetime) -> KeyRing:
    """Migrate and match the keys, in one transaction: two processes that start at once agree on both."""
    with engine.begin_migration() as connection:
        command.upgrade(_configuration(connection), "head")
        known = _known_keys(connection)
        keys = read_keys(key_file) if known or key_file.exists() else make_keys(key_file)
        _match(keys, known, key_file)
        if keys.sealing_id not in known:
            connection.execute(insert(KEYS).values(id=keys.sealing_id, first_used=to_micros(now)))
        connection.commit()
    return keys


def _inspect(engine: Engine, key_file: Path) -> KeyRing:
    with engine.begin_inspection() as connection:
        script = ScriptDirectory.from_config(_configuration(connection))
        if MigrationContext.configure(connection).get_current_revision() != script.get_current_head():
            raise UsageFault("the database has other tables than this version: start the gateway once")
        known = _known_keys(connection)
    keys = read_keys(key_file)
    _match(keys, known, key_file)
    return keys


def _known_keys(connection: Connection) -> frozenset[str]:
    return frozenset(row.id for row in connection.execute(select(KEYS.c.id)))


def _match(keys: KeyRing, known: frozenset[str], key_file: Path) -> None:
    if not known <= keys.ids:
        fault = Fault(
            str(key_file),
            None,
            "",
            "the database was written with a key that is not in this file",
            "put back the key file that belongs to this database",
        )
        raise ConfigurationFault([fault])


def _configuration(connection: Connection) -> Config:
    """Alembic's settings, without a file: the migrations lie beside this module."""
    configuration = Config()
    configuration.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    configuration.set_main_option("path_separator", "os")
    configuration.attributes["connection"] = connection
    return configuration
