from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from gateway.store import accounts
from gateway.store.database import Database
from gateway.web.sign_in import FirstAccount, readable_password
from tests.web.yarrowfen import CHEAP, NOW, Clock, browser, open_store, region, serving, state_of


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with open_store(tmp_path) as opened:
        yield opened


@pytest.fixture
def account(database: Database) -> FirstAccount:
    made = FirstAccount("coordinator", readable_password())
    kept = accounts.Account(name=made.name, password_hash=CHEAP.hash(made.password), created=NOW)
    database.write(lambda tx: accounts.add(tx, kept))
    return made


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def address(database: Database, clock: Clock) -> Iterator[str]:
    """The pages, really served: uvicorn on a free port."""
    with serving(state_of(database, clock, region())) as served:
        yield served


@pytest.fixture
def client(address: str) -> Iterator[httpx.Client]:
    with browser(address) as opened:
        yield opened
