"""What the benchmarks of the running gateway share: the real process, its receivers, and senders of their own.

The gateway serves the invented region from an SQLite file (synchronous=FULL) with every subscription of the day, whose
receivers answer in this process; senders are processes of their own.
"""

import asyncio
import base64
import json
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx

from tests.bench.traffic import Run
from tests.fixtures.committed import read_yaml
from tests.receivers import http_receiver, threaded_mllp_receiver
from tests.wire.process import ROOT, Gateway, running

CONNECTIONS = 32
POSTS = 8  # care reports at a time
SUBSCRIPTIONS = read_yaml("region.yaml")["subscriptions"]


@contextmanager
def serving(folder: Path) -> Iterator[Gateway]:
    """A started gateway whose subscribers all have a receiver; what lies in `folder` already is served."""
    with ExitStack() as ends:
        fhir = ends.enter_context(http_receiver())
        mllp = ends.enter_context(threaded_mllp_receiver())

        def redirect(region: dict[str, Any]) -> None:
            for each in SUBSCRIPTIONS:
                each["endpoint"] = fhir.address if each["channel"] == "fhir-rest-hook" else mllp.address
            region["subscriptions"] = SUBSCRIPTIONS

        yield ends.enter_context(running(folder, redirect))


async def post(gateway: Gateway, runs: Sequence[Run]) -> float:
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


def write_queues(path: Path, runs: Sequence[Run]) -> Path:
    """Deal the visits out to the connections, as so many feeds would have them."""
    queues: list[list[str]] = [[] for _ in range(CONNECTIONS)]
    for number, run in enumerate(runs):
        queues[number % CONNECTIONS] += [base64.b64encode(message).decode() for message in run.admissions]
    path.write_text(json.dumps(queues), encoding="utf-8")
    return path


def send(host: str, port: int, messages: Path, *, rate: float | None = None) -> dict[str, Any]:
    """Let `tests.bench.sender` send, as fast as it is answered or at a rate of its own, and give back what it tells."""
    pace = [] if rate is None else [str(rate)]
    command = [sys.executable, "-m", "tests.bench.sender", host, str(port), str(messages), *pace]
    done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE)
    measured: dict[str, Any] = json.loads(done.stdout)
    return measured
