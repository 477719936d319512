"""A hundred thousand messages have gathered at the senders while the gateway was away: how long until all are in.

As many connections as in the other benchmarks send as fast as they are answered. For every tenth patient the care
report is there already, so that links are made and deliveries go out meanwhile. Only runs when it is named: minutes.
"""

import asyncio
import tempfile
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from gateway.records import DeliveryState
from gateway.store import deliveries
from gateway.store.transaction import Tx
from tests.bench.figures import Figure
from tests.bench.serving import post, send, serving, write_queues
from tests.bench.traffic import Run, fresh_cases
from tests.wire.waiting import until

MESSAGES = 100_000
REPORTED = 10  # of so many patients one has a care report
LONGEST = 3600.0  # seconds for the deliveries


def measure(messages: int = MESSAGES) -> Iterator[Figure]:
    """Give back how long the messages took, and the deliveries that were still on their way then."""
    runs = _runs(messages)
    number = sum(len(run.admissions) for run in runs)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        queues = write_queues(folder / "messages.json", runs)
        with serving(folder) as gateway:
            asyncio.run(post(gateway, runs[::REPORTED]))
            begun = time.perf_counter()
            sent = send(*gateway.mllp, queues)
            drained = time.perf_counter() - begun
            until(lambda: bool(gateway.read(unsettled) == 0), "the deliveries", limit=LONGEST)
            settled = time.perf_counter() - begun
    yield Figure(f"a backlog of {number:,} messages: taken within", drained, "s")
    yield Figure("  rate while all connections are busy", sent["rate"], "messages/s")
    yield Figure("  and the last delivery made after", settled, "s")
    print(f"backlog: answers {sent['codes']}\n")


def unsettled(tx: Tx) -> int:
    """How many deliveries are still on their way."""
    settled = (DeliveryState.DELIVERED, DeliveryState.HELD)
    return sum(number for (_, state), number in deliveries.count(tx).items() if state not in settled)


def _runs(messages: int) -> list[Run]:
    """Enough runs for so many messages; care reports that nobody will send are not kept."""
    runs, number = [], 0
    for count, (_, run) in enumerate(islice(fresh_cases(), messages)):
        runs.append(run if count % REPORTED == 0 else Run(run.feed, b"", run.admissions))
        number += len(run.admissions)
        if number >= messages:
            break
    return runs
