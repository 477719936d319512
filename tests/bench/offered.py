"""How long an acknowledgement takes while messages come at a given rate, as hospitals send them all day.

Every message is due at its own time, whether or not the one before was answered in time, and it is from then that its
waiting counts: a moment in which the gateway stands still costs all that were due in it.
"""

import asyncio
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.figures import Figure
from tests.bench.serving import post, send, serving, write_queues
from tests.bench.traffic import fresh_runs

RATE = 500.0  # messages offered a second
RUNS = 4000  # of two or three messages each
P99 = 25.0  # milliseconds


def measure() -> Iterator[Figure]:
    """Give back how long half of the answers took, and 99 of 100, and the rate that came about."""
    runs = fresh_runs(RUNS)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        messages = write_queues(folder / "messages.json", runs)
        with serving(folder) as gateway:
            asyncio.run(post(gateway, runs))
            sent = send(*gateway.mllp, messages, rate=RATE)
    yield Figure(f"{RATE:.0f} messages/s offered: answer within, 99 of 100", sent["p99"], "ms", bar=P99, most=True)
    yield Figure("  half of them", sent["p50"], "ms")
    yield Figure("  answered", sent["rate"], "messages/s")
    print(f"offered: {sent['seconds']:.1f} s counted, answers {sent['codes']}\n")
