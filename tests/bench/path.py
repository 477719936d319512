"""The full path: from the socket to the committed link and queued delivery, and back with the acknowledgement.

The real process serves the invented region from an SQLite file (synchronous=FULL) with every subscription of
the day, whose receivers answer in this process. Care reports are posted first; then a sender of its own
process feeds the admissions of the same patients over 32 connections, visit by visit, while the deliveries
go out. Beside it stand python-hl7 parsing the same messages (nothing else running), a receiver that only
splits them and writes the bytes down, and one that only answers: the most the sender can do.

All this in turns, because a machine's mood changes: in each the gateway takes a part of the messages, right before
and after python-hl7 does, once nothing is left to deliver. The turn whose ratio is the median counts.
"""

import asyncio
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import hl7

from gateway.records import DeliveryState, Traffic
from gateway.store import deliveries, links
from tests.bench.er7 import readable
from tests.bench.figures import Figure, race
from tests.bench.serving import post, send, serving, write_queues
from tests.bench.traffic import Run, fresh_runs
from tests.wire.process import ROOT, Gateway
from tests.wire.waiting import until

RUNS, TURNS = 5000, 5
OF_PARSER = 1.0  # times the rate of python-hl7
OF_BARE = 0.3  # of what a receiver does that only splits a message and writes its bytes down
DRAINED_WITHIN = 120.0  # seconds that the deliveries of one turn may take


class Turn(NamedTuple):
    """One turn: what the sender measured at the gateway and at the bare receiver, and the parser's rate around it."""

    sent: dict[str, Any]
    bare: dict[str, Any]
    parse: float

    @property
    def ratio(self) -> float:
        """How many times the parser's rate the gateway's is."""
        rate: float = self.sent["rate"]
        return rate / self.parse


def measure() -> Iterator[Figure]:
    """Give back the rate of the full path beside each of the others, the waiting times, and the reports' rate."""
    runs = fresh_runs(RUNS)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts = [write_queues(folder / f"messages-{turn}.json", runs[turn::TURNS]) for turn in range(TURNS)]
        with serving(folder) as gateway:
            posted = asyncio.run(post(gateway, runs))
            most = _send_to_bare(parts[0], "echo")
            turns = list(_turns(gateway, parts, runs))
            told = _look(gateway, runs)
    median = sorted(turns, key=lambda each: each.ratio)[TURNS // 2]
    sent, bare, rate = median.sent, median.bare, median.sent["rate"]
    yield Figure("full path, 32 connections", rate, "messages/s", "hl7.parse alone", median.parse, OF_PARSER)
    yield Figure("  the same", rate, "messages/s", "split, one INSERT", bare["rate"], OF_BARE)
    yield Figure("  the sender alone", most["rate"], "messages/s")
    yield Figure("  answer within, half of them", sent["p50"], "ms", "split, one INSERT", bare["p50"])
    yield Figure("  answer within, 99 of 100", sent["p99"], "ms", "split, one INSERT", bare["p99"])
    yield Figure("  care reports posted, 8 at a time", posted, "reports/s")
    answers = sum((Counter(each.sent["codes"]) for each in turns), Counter[str]())
    ratios = ", ".join(f"{each.ratio:.2f}" for each in turns)
    print(f"full path: turns of {ratios} times hl7.parse; answers {dict(answers)}, {told}\n")


def _turns(gateway: Gateway, parts: Sequence[Path], runs: Sequence[Run]) -> Iterator[Turn]:
    for number, part in enumerate(parts):
        until(lambda: not _unsettled(gateway), "the deliveries", limit=DRAINED_WITHIN)
        before = _parse(runs)
        sent = send(*gateway.mllp, part)
        until(lambda: not _unsettled(gateway), "the deliveries", limit=DRAINED_WITHIN)
        after = _parse(runs)
        bare = _send_to_bare(part, "keep", str(part.parent / f"bare-{number}.db"))
        yield Turn(sent, bare, (before + after) / 2)


def _unsettled(gateway: Gateway) -> int:
    queue = gateway.read(deliveries.count)
    ended = {DeliveryState.DELIVERED, DeliveryState.HELD}
    return sum(number for (_, state), number in queue.items() if state not in ended)


def _parse(runs: Sequence[Run]) -> float:
    """The rate of python-hl7 on such messages."""
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
