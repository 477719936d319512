"""Health as a supervisor sees it: ready means that every door is open and the database takes what is written.

The database's refusal comes from the database itself; that a read alone proves nothing is why: a full disk can be read.
"""

import asyncio
from collections.abc import Callable
from datetime import timedelta

import httpx
import pytest

from gateway.store.database import Database
from gateway.web.app import build_app
from tests.sabotage import refusing
from tests.working import START, Clock, House


@pytest.fixture
def store(open_again: Callable[[], Database]) -> Database:
    """A store on either database; the one of the pages is always SQLite."""
    return open_again()


class Asked:
    """The application of a house, asked in this process."""

    def __init__(self, store: Database, *, is_open: bool = True) -> None:
        house, self.clock = House(store), Clock(START)
        self.is_open = is_open
        self.app = build_app(house.intake, house.region, store, self.clock, is_open=lambda: self.is_open)

    async def ready(self) -> int:
        return (await self.get("/health/ready")).status_code

    async def get(self, path: str) -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url="http://gateway") as client:
            return await client.get(path)


def test_ready_when_every_door_is_open(store: Database) -> None:
    asked = Asked(store, is_open=False)
    assert asyncio.run(asked.ready()) == 503
    asked.is_open = True
    assert asyncio.run(asked.ready()) == 200


def test_not_ready_while_the_database_refuses_what_is_written(store: Database, url: str) -> None:
    with refusing(url, "pulse"):
        refused = Asked(store)
        assert asyncio.run(refused.ready()) == 503
        assert asyncio.run(refused.get("/health/live")).status_code == 200
    assert asyncio.run(Asked(store).ready()) == 200


def test_not_ready_once_the_database_is_closed(store: Database) -> None:
    asked = Asked(store)
    store.close()
    assert asyncio.run(asked.ready()) == 503


def test_however_many_ask_the_database_is_tried_once(store: Database) -> None:
    asked = Asked(store)

    async def many() -> list[int]:
        return await asyncio.gather(*(asked.ready() for _ in range(50)))

    assert asyncio.run(many()) == [200] * 50
    assert asked.clock.now == START + timedelta(seconds=1), "it is asked for the time of each try"
