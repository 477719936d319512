"""The clock is set back while everybody sends: nothing stands still until the old time comes round again.

The parts of the gateway are put together here as `gateway.run` does it, because their clock is an argument: a real
database of either kind, real sockets on both sides. What must have become of the runs is said by their writer.
"""

import asyncio
import io
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import islice

import pytest

from gateway.deliveries import DeliveryWorker
from gateway.listening import DOOR, Port, listening
from gateway.records import DeliveryState
from gateway.settings import Settings
from gateway.store import deliveries
from gateway.store.database import Database
from gateway.store.transaction import Tx
from tests.bench.traffic import Run, fresh_cases
from tests.receivers import mllp_receiver
from tests.test_deliveries import mllp
from tests.whole.reckoning import (
    arrived_by_mllp,
    check_deliveries,
    check_effects,
    check_links,
    check_messages,
    unsettled,
)
from tests.whole.senders import Book
from tests.working import START, House, yarrowfen

RUNS = 12
BACK = [timedelta(minutes=2), timedelta(hours=1), timedelta(days=400)]
LIMIT = 20.0  # seconds for what would otherwise take minutes or years
QUICK = Settings(delivery_first_wait_seconds=0.02, delivery_longest_wait_seconds=0.05, delivery_lease_seconds=2)


class Clock:
    """Runs as clocks do, and can be set back."""

    def __init__(self) -> None:
        self._now = START
        self._looked = time.monotonic()

    def __call__(self) -> datetime:
        """The time now."""
        looked = time.monotonic()
        self._now += timedelta(seconds=looked - self._looked)
        self._looked = looked
        return self._now

    def set_back(self, by: timedelta) -> None:
        """Set it back."""
        self._now -= by


class Woken(House):
    """A house on a clock of its own, in a region in which one receiver subscribes; what is kept wakes its worker."""

    def __init__(self, database: Database, clock: Clock, receiver: str) -> None:
        region = replace(yarrowfen(), subscriptions={"by-hl7": mllp(receiver)}, settings=QUICK)
        super().__init__(database, region, clock=clock)
        self.loop = asyncio.get_running_loop()
        self.worker = DeliveryWorker(
            region=region,
            database=database,
            subscription=region.subscriptions["by-hl7"],
            clock=clock,
            jitter=lambda: 0.5,
            name="worker",
        )

    def _wake(self) -> None:
        self.loop.call_soon_threadsafe(self.worker.woken.set)


@asynccontextmanager
async def open_door(house: House) -> AsyncIterator[tuple[str, int]]:
    """The MLLP door of a house; gives back where it is."""
    port = Port(door=DOOR, host="127.0.0.1", port=0, says="the door", option="port")
    async with listening([port], house.intake.admissions, house.region) as (addresses, _):
        host, _, number = addresses[DOOR].removeprefix("mllp://").partition(":")
        yield host, int(number)


@asynccontextmanager
async def working(house: Woken) -> AsyncIterator[None]:
    """The delivery worker of the house at work."""
    task = asyncio.create_task(house.worker.run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])


async def send(house: House, door: tuple[str, int], runs: list[Run], book: Book) -> None:
    """Send runs: each report, then its admissions over one connection."""
    reader, writer = await asyncio.open_connection(*door)
    for run in runs:
        book.left[run.report] += 1
        await house.intake.care_reports(io.BytesIO(run.report), house.region.feeds[run.feed], door="test")
        book.acknowledge(run.report, "200")
        for message in run.admissions:
            book.left[message] += 1
            writer.write(b"\x0b" + message + b"\x1c\r")
            answer = await reader.readuntil(b"\x1c\r")
            book.acknowledge(message, answer.partition(b"\rMSA|")[2][:2].decode())
    writer.close()
    await writer.wait_closed()


async def until(database: Database, true: Callable[[Tx], bool]) -> None:
    """Wait until something is so in the store."""
    async with asyncio.timeout(LIMIT):
        while not await database.aread(true):
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("by", BACK, ids=str)
def test_nothing_stands_still_and_nothing_is_done_twice(database: Database, by: timedelta) -> None:
    clock, book = Clock(), Book()
    cases, runs = zip(*islice(fresh_cases(), RUNS), strict=True)

    async def play() -> list[bytes]:
        async with mllp_receiver() as gone:
            address = gone.address  # a port that nobody listens on any more
        house = Woken(database, clock, address)
        async with open_door(house) as door, working(house):
            await send(house, door, [*runs[: RUNS // 2]], book)
            await until(database, lambda tx: bool(deliveries.in_state(tx, DeliveryState.WAITING)))
            clock.set_back(by)
            async with mllp_receiver(port=int(address.rpartition(":")[2])) as receiver:
                await send(house, door, [*runs], book)
                await until(database, lambda tx: unsettled(tx) == 0)
                return receiver.messages

    arrived = arrived_by_mllp(asyncio.run(play()))
    database.read(lambda tx: check_messages(tx, book))
    database.read(check_effects)
    database.read(lambda tx: check_links(tx, [*cases]))
    database.read(lambda tx: check_deliveries(tx, {"by-hl7": arrived}))
    assert set().union(*book.answers.values()) == {"AA", "200"}
    assert len(arrived) > 0
