"""The full path: from the socket to the committed link and queued delivery, and back with the acknowledgement.

The real process serves the invented region from an SQLite file (synchronous=FULL) with every subscription of
the day, whose receivers answer in this process. Care reports are posted first; then a sender of its own
process feeds the admissions of the same patients over 32 connections, visit by visit, while the deliveries
go out. Beside it stand python-hl7 parsing the same messages (nothing else running), a receiver that only
splits them and writes the bytes down, and one that only answers: the most the sender can do.
"""

import asyncio
import base64
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import hl7
import httpx

from gateway.records import DeliveryState, Traffic
from gateway.store import deliveries, links
from tests.bench.er7 import readable
from tests.bench.figures import Figure, race
from tests.bench.traffic import Run, fresh_runs
from tests.fixtures.committed import read_yaml
from tests.receivers import http_receiver, threaded_mllp_receiver
from tests.wire.process import ROOT, Gateway, running

RUNS = 4000
CONNECTIONS = 32
POSTS = 8  # care reports at a time
NOW, LATER = 0.5, 1.0  # times the rate of python-hl7: the bar, and the goal behind it
OF_BARE = 0.3  # of what a receiver does that only splits a message and writes its bytes down: a goal
SUBSCRIPTIONS = read_yaml("region.yaml")["subscriptions"]


def measure() -> Iterator[Figure]:
    """Give back the rate of the full path beside each of the others, the waiting times, and the reports' rate."""
    runs = fresh_runs(RUNS)
    before = _parse(runs)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        messages = _write_queues(folder / "messages.json", runs)
        most = _send_to_bare(messages, "echo")
        bare = _send_to_bare(messages, "keep", str(folder / "bare.db"))
        with _gateway(folder) as gateway:
            posted = asyncio.run(_post(gateway, runs))
            sent = _send(*gateway.mllp, messages)
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


def _write_queues(path: Path, runs: Sequence[Run]) -> Path:
    """Deal the visits out to the connections, as so many feeds would have them."""
    queues: list[list[str]] = [[] for _ in range(CONNECTIONS)]
    for number, run in enumerate(runs):
        queues[number % CONNECTIONS] += [base64.b64encode(message).decode() for message in run.admissions]
    path.write_text(json.dumps(queues), encoding="utf-8")
    return path


def _send(host: str, port: int, messages: Path) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.sender", host, str(port), str(messages)]
    done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE)
    measured: dict[str, Any] = json.loads(done.stdout)
    return measured


def _send_to_bare(messages: Path, *how: str) -> dict[str, Any]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bare", *how], cwd=ROOT, stdout=subprocess.PIPE
    ) as receiver:
        assert receiver.stdout is not None
        port = int(receiver.stdout.readline())
        try:
            return _send("127.0.0.1", port, messages)
        finally:
            receiver.terminate()


@contextmanager
def _gateway(folder: Path) -> Iterator[Gateway]:
    """A started gateway whose subscribers all have a receiver."""
    with ExitStack() as ends:
        fhir = ends.enter_context(http_receiver())
        mllp = ends.enter_context(threaded_mllp_receiver())

        def redirect(region: dict[str, Any]) -> None:
            for each in SUBSCRIPTIONS:
                each["endpoint"] = fhir.address if each["channel"] == "fhir-rest-hook" else mllp.address
            region["subscriptions"] = SUBSCRIPTIONS

        yield ends.enter_context(running(folder, redirect))


async def _post(gateway: Gateway, runs: Sequence[Run]) -> float:
    """Post every care report and give back how many a second were kept."""
    left = iter(runs)

    async def post_some(client: httpx.AsyncClient) -> None:
        for run in left:
            headers = {"Authorization": f"Bearer demo-{run.feed}", "Content-Type": "application/xml"}
            answer = await client.post(f"{gateway.web}/care-reports", content=run.report, headers=headers)
            answer.raise_for_status()

    begun = time.perf_counter()
    async with httpx.AsyncClient(timeout=60) as client:
        await asyncio.gather(*(post_some(client) for _ in range(POSTS)))
    return len(runs) / (time.perf_counter() - begun)


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
