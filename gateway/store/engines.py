"""What differs between the two databases: connecting, beginning, locking, and what their errors mean.

Everything else in the store is the same SQL on both. A driver's error stops here: it becomes
`StoreUnavailable` when the database cannot work now, and `GatewayFault` when it refused what we asked, which
is a mistake of ours. PostgreSQL quotes the offending values in its refusals, so of those only the name of
the rule is kept.
"""

import os
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import NullPool, create_engine
from sqlalchemy.engine import URL, Connection, Dialect, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from gateway.errors import GatewayFault, StoreUnavailable, UsageFault

BUSY_SECONDS = 5.0  # how long SQLite waits for another process's write before it gives up
#: no hidden transactions; a reader's connection is used by one thread at a time, but not always the same
_SQLITE: dict[str, Any] = {"isolation_level": None, "timeout": BUSY_SECONDS, "check_same_thread": False}
_CONFLICTS = frozenset({"40001", "40P01"})  # SQLSTATE: serialization failure, deadlock detected
_LOCK = "SELECT pg_advisory_xact_lock(%(number)s)"
_MIGRATION_LOCK = 0x62616E64  # any number that nothing else on the server takes


class Engine(Protocol):
    """One kind of database at one address."""

    dialect: Dialect
    begin: str  #: begins a transaction that writes
    begin_reading: str  #: begins a transaction that sees one moment and cannot write
    lock: str | None  #: takes a lock until the commit, parameter `number`; None where the writer is alone

    def connect(self) -> Any:
        """Open a connection for the writer, in the driver's own terms and without a transaction."""

    def connect_reader(self) -> Any:
        """Open a connection that the database itself keeps from writing."""

    def exists(self) -> bool:
        """Whether there is a database at the address, as far as can be told without connecting."""

    def begin_migration(self) -> Connection:
        """Open a SQLAlchemy connection inside a transaction that no other migration can enter."""

    def begin_inspection(self) -> Connection:
        """Open a SQLAlchemy connection to look at the tables and change nothing."""

    def in_transaction(self, connection: Any) -> bool:
        """Whether the connection still has a transaction: some failures end it behind our back."""

    def is_conflict(self, error: Exception) -> bool:
        """Whether the same work would pass if it were simply done again."""


class SqliteEngine:
    """SQLite in one file: write-ahead log, every commit synced to the disk, foreign keys on."""

    begin = "BEGIN IMMEDIATE"
    begin_reading = "BEGIN"
    lock: str | None = None

    def __init__(self, url: URL) -> None:
        """Take the address. Raises `UsageFault` unless it names a file."""
        if not url.database or url.database == ":memory:":
            raise UsageFault("the database must be a file: sqlite:///path/to/gateway.db")
        self._path = Path(url.database)
        self._engine = create_engine(url, poolclass=NullPool, paramstyle="named", connect_args=_SQLITE)
        self.dialect = self._engine.dialect

    def exists(self) -> bool:
        """Whether the file is there."""
        return self._path.exists()

    def connect(self) -> Any:
        """Open the file, which must exist, for the writer."""
        connection = self._open()
        connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk before it is answered
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA cache_size = -65536")  # KiB
        connection.execute("PRAGMA temp_store = MEMORY")  # what a savepoint needs to roll back is no file
        connection.execute("PRAGMA wal_autocheckpoint = 4000")  # pages: a commit that folds 16 MiB keeps nobody long
        return connection

    def connect_reader(self) -> Any:
        """Open the file for reading.

        Not with `mode=ro`: that cannot open a database in WAL mode whose log another process has to recover.
        """
        connection = self._open()
        connection.execute("PRAGMA query_only = ON")
        return connection

    def _open(self) -> Any:
        return _connect(self._engine.url, self.dialect, **_SQLITE)

    def begin_migration(self) -> Connection:
        """Make the file if need be, readable by its owner alone, and take its write lock."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600))  # the log files inherit the mode
        connection = self._engine.connect()
        connection.exec_driver_sql("PRAGMA journal_mode = WAL")
        connection.exec_driver_sql(self.begin)
        return connection

    def begin_inspection(self) -> Connection:
        """Open the file, which must exist."""
        connection = self._engine.connect()
        connection.exec_driver_sql("PRAGMA query_only = ON")
        return connection

    def in_transaction(self, connection: Any) -> bool:
        """SQLite rolls back by itself when the disk is full or fails (sqlite.org/lang_transaction.html §3)."""
        return bool(connection.in_transaction)

    def is_conflict(self, error: Exception) -> bool:
        """Never: the one writer holds the database."""
        del error
        return False


class PostgresEngine:
    """PostgreSQL, shared by any number of gateway processes."""

    begin = "BEGIN"
    begin_reading = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    lock: str | None = _LOCK

    def __init__(self, url: URL) -> None:
        """Take the address."""
        self._engine = create_engine(url, poolclass=NullPool)
        self.dialect = self._engine.dialect

    def exists(self) -> bool:
        """The server alone can tell."""
        return True

    def connect(self) -> Any:
        """Connect for the writer."""
        return _connect(self._engine.url, self.dialect, autocommit=True)

    def connect_reader(self) -> Any:
        """Connect for reading; `begin_reading` is what keeps it from writing."""
        return _connect(self._engine.url, self.dialect, autocommit=True)

    def begin_migration(self) -> Connection:
        """Begin, and wait until no other process migrates."""
        connection = self._engine.connect()
        connection.exec_driver_sql(_LOCK, {"number": _MIGRATION_LOCK})
        return connection

    def begin_inspection(self) -> Connection:
        """Begin; nothing will be committed."""
        return self._engine.connect()

    def in_transaction(self, connection: Any) -> bool:
        """Ask the driver, which knows what the server said last."""
        return not connection.closed and bool(connection.info.transaction_status)

    def is_conflict(self, error: Exception) -> bool:
        """Two processes that wait for each other: the server ends one of them."""
        return getattr(error, "sqlstate", None) in _CONFLICTS


def engine_for(url: str) -> Engine:
    """Give back the engine for an address. Raises `UsageFault` for one we do not work with."""
    try:
        address = make_url(url)
        if address.drivername in {"sqlite", "sqlite+pysqlite"}:
            return SqliteEngine(address)
        if address.drivername in {"postgresql", "postgresql+psycopg"}:
            return PostgresEngine(address.set(drivername="postgresql+psycopg"))
    except (ArgumentError, NoSuchModuleError):
        raise UsageFault("not the address of a database") from None  # it may hold a password
    except ImportError as error:
        raise UsageFault("PostgreSQL needs the driver: install bandgate[postgres]") from error
    raise UsageFault("a database is sqlite:///path or postgresql+psycopg://user@host/name")


def fault_of(error: Exception, dialect: Dialect) -> Exception:
    """Give back what a caller is told: a driver's error in our words, anything else as it is."""
    driver: Any = dialect.loaded_dbapi
    if not isinstance(error, driver.Error):
        return error
    if isinstance(error, driver.IntegrityError | driver.ProgrammingError | driver.DataError):
        refused = GatewayFault(f"the database refused a change: {_rule(error)}")
        refused.__suppress_context__ = True
        return refused
    unavailable = StoreUnavailable(f"the database cannot be written or read now: {_kind(error)}")
    unavailable.__cause__ = error
    return unavailable


def _connect(url: URL, dialect: Dialect, **options: Any) -> Any:
    arguments, settings = dialect.create_connect_args(url)
    return dialect.connect(*arguments, **{**settings, **options})


def _rule(error: Any) -> str:
    """The rule that was broken, without the values that broke it."""
    diagnosis = getattr(error, "diag", None)
    return (diagnosis.constraint_name or _kind(error)) if diagnosis is not None else str(error)


def _kind(error: Any) -> str:
    return str(getattr(error, "sqlite_errorname", None) or getattr(error, "sqlstate", None) or type(error).__name__)
