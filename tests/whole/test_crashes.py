"""The gateway is killed again and again while everybody sends, and nothing that was acknowledged is lost.

The real process, SIGKILL, real sockets on both sides. The moments are chosen by chance; the seed is printed, and
CRASH_SEED=N in the environment chooses the same again (as far as a busy machine lets it).
"""

import asyncio
import os
import random
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.bench.traffic import Run, fresh_cases
from tests.fixtures.committed import read_yaml
from tests.receivers import http_receiver, threaded_mllp_receiver
from tests.whole.reckoning import (
    arrived_by_http,
    arrived_by_mllp,
    check_deliveries,
    check_effects,
    check_file,
    check_links,
    check_messages,
    check_told,
    effects,
    unsettled,
)
from tests.whole.senders import Book, Sender, streaming
from tests.wire.process import Gateway, running
from tests.wire.waiting import until
from tests.working import Case

KILLS = 50
STARTING = 0.25  # share of the starts that are killed before their end
LONGEST_LIFE = 1.5  # seconds from open doors to the next kill
LONGEST_START = 1.5  # seconds after the launch within which a start is killed
SENDERS = 6
AGAIN = 25  # every so manieth admission is sent once more at the end
QUICK = {"delivery_first_wait_seconds": 0.05, "delivery_longest_wait_seconds": 0.5}


@pytest.mark.timeout(480)  # fifty starts, on a machine that may be busy
def test_nothing_acknowledged_is_lost_and_nothing_takes_effect_twice(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED") or time.time_ns())
    print(f"CRASH_SEED={seed}")
    chance = random.Random(seed)
    subscriptions = read_yaml("region.yaml")["subscriptions"]
    cases: list[Case] = []
    with ExitStack() as ends:
        fhir = ends.enter_context(http_receiver())
        mllp = {e["name"]: ends.enter_context(threaded_mllp_receiver()) for e in subscriptions if _is_mllp(e)}

        def subscribe(region: dict[str, Any]) -> None:
            for each in subscriptions:
                by_mllp = mllp.get(each["name"])
                each["endpoint"] = by_mllp.address if by_mllp else f"{fhir.address}/{each['name']}"
            region["subscriptions"], region["settings"] = subscriptions, QUICK

        gateway = ends.enter_context(running(tmp_path, subscribe))
        book = asyncio.run(_storm(gateway, _runs(cases), chance))
        until(lambda: gateway.read(unsettled) == 0, "the deliveries")
        _send_again(gateway, book, chance)
        assert gateway.stop() == 0
    arrived = {name: arrived_by_mllp(each.messages) for name, each in mllp.items()}
    by_http = [each["name"] for each in subscriptions if not _is_mllp(each)]
    arrived |= {name: arrived_by_http(fhir.requests, f"/{name}") for name in by_http}
    again = book.left.total() - len(book.left)
    print(f"{len(book.runs)} runs, {len(book.left)} messages, {again} sent again, {book.put_off} put off")
    check_file(gateway)
    gateway.read(lambda tx: check_messages(tx, book))
    gateway.read(check_effects)
    gateway.read(lambda tx: check_links(tx, cases))
    gateway.read(lambda tx: check_deliveries(tx, arrived))
    check_told(cases, arrived, {each["name"]: each["organisation"] for each in subscriptions})
    assert "Traceback" not in gateway.log()


def _runs(cases: list[Case]) -> Iterator[Run]:
    """Fresh runs, and in `cases` what those that were asked for must become."""
    for case, run in fresh_cases():
        cases.append(case)
        yield run


def _is_mllp(subscription: dict[str, Any]) -> bool:
    return bool(subscription["channel"] == "hl7v2-mllp")


async def _storm(gateway: Gateway, runs: Iterator[Run], chance: random.Random) -> Book:
    """Kill and start while the senders stream; at the end the gateway runs and every run that was begun is there."""
    up = asyncio.Event()
    up.set()
    gateway.prepare()
    async with streaming(gateway, runs, up, chance, senders=SENDERS) as book:
        kills = 0
        while kills < KILLS:
            await _kill(gateway, up, chance.uniform(0, LONGEST_LIFE))
            kills += 1
            if chance.random() < STARTING:
                gateway.launch()
                await _kill(gateway, up, chance.uniform(0, LONGEST_START))
                kills += 1
            await asyncio.to_thread(gateway.start)
            up.set()
            gateway.prepare()
    return book


async def _kill(gateway: Gateway, up: asyncio.Event, seconds: float) -> None:
    """Let the process live for so long, and kill it."""
    await asyncio.sleep(seconds)
    up.clear()
    await asyncio.to_thread(gateway.stop, signal.SIGKILL)


def _send_again(gateway: Gateway, book: Book, chance: random.Random) -> None:
    """What comes once more is answered as before, and changes nothing."""
    before = gateway.read(effects)
    repeated = [message for message in book.left if message.startswith(b"MSH")][::AGAIN]
    repeated += [run.report for run in book.runs][::AGAIN]
    feeds = {run.report: run.feed for run in book.runs}

    async def send() -> None:
        up = asyncio.Event()
        up.set()
        sender = Sender(gateway, book, up, chance)
        for message in repeated:
            await sender.insist(message, feeds.get(message, ""))
        await sender.close()

    asyncio.run(send())
    assert gateway.read(effects) == before
    assert len(repeated) > 0
