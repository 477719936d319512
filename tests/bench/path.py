"""The full path: from the socket to the committed link and queued delivery, and back with the acknowledgement.

The real process serves the invented region from an SQLite file (synchronous=FULL) with every subscription of
the day, whose receivers answer in this process. Care reports are posted first; then a sender of its own
process feeds the admissions of the same patients over 32 connections, visit by visit, while the deliveries
go out. Beside it stand python-hl7 parsing the same messages (nothing else running), a receiver that only
splits them and writes the bytes down, and one that only answers: the most the sender can do.
"""

import asyncio
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import hl7

from gateway.records import DeliveryState, Traffic
from gateway.store import deliveries, links
from tests.bench.er7 import readable
from tests.bench.figures import Figure, race
from tests.bench.serving import post, send, serving, write_queues
from tests.bench.traffic import Run, fresh_runs
from tests.wire.process import ROOT, Gateway

RUNS = 4000
NOW, LATER = 0.5, 1.0  # times the rate of python-hl7: the bar, and the goal behind it
OF_BARE = 0.3  # of what a receiver does that only splits a message and writes its bytes down: a goal


def measure() -> Iterator[Figure]:
    """Give back the rate of the full path beside each of the others, the waiting times, and the reports' rate."""
    runs = fresh_runs(RUNS)
    before = _parse(runs)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        messages = write_queues(folder / "messages.json", runs)
        most = _send_to_bare(messages, "echo")
        bare = _send_to_bare(messages, "keep", str(folder / "bare.db"))
        with serving(folder) as gateway:
            posted = asyncio.run(post(gateway, runs))
            sent = send(*gateway.mllp, messages)
            told = _look(gateway, runs)
    rate, parse = sent["rate"], (before + _parse(runs)) / 2
    yield Figure("full path, 32 connections", rate, "messages/s", "hl7.parse alone", parse, NOW)
    yield Figure("  the same, later goal", rate, "messages/s", "hl7.parse alone", parse, LATER)
    yield Figure("  the same, later goal", rate, "messages/s", "split, one INSERT", bare["rate"], OF_BARE)
    yield Figure("  the sender alone", most["rate"], "messages/s")
    yield Figure("  answer within, half of them", sent["p50"], "ms", "split, one INSERT", bare["p50"])
    yield Figure("  answer within, 99 of 100", sent["p99"], "ms", "split, one INSERT", bare["p99"])
    yield Figure("  care reports posted, 8 at a time", posted, "reports/s")
    print(f"full path: {sent['seconds']:.1f} s counted, answers {sent['codes']}, {told}\n")


def _parse(runs: Sequence[Run]) -> float:
    """The rate of python-hl7 on such messages; asked for before and after, since a machine's mood changes."""
    texts = [readable(message) for run in runs[:100] for message in run.admissions]
    return race({"parse": (hl7.parse, texts)})["parse"]


def _send_to_bare(messages: Path, *how: str) -> dict[str, Any]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bare", *how], cwd=ROOT, stdout=subprocess.PIPE
    ) as receiver:
        assert receiver.stdout is not None
        port = int(receiver.stdout.readline())
        try:
            return send("127.0.0.1", port, messages)
        finally:
            receiver.terminate()


def _look(gateway: Gateway, runs: Sequence[Run]) -> str:
    """Say what the database holds now, so that nobody counts answers without work behind them."""
    found = gateway.read(lambda tx: links.count(tx, traffic=Traffic.LIVE))
    queue = gateway.read(deliveries.count)
    confirmed = sum(number for (_, is_confirmed), number in found.items() if is_confirmed)
    made = sum(number for (_, state), number in queue.items() if state is DeliveryState.DELIVERED)
    return (
        f"{confirmed} of {2 * len(runs)} records linked and confirmed, "
        f"{sum(queue.values())} deliveries queued, {made} of them made by the end"
    )
