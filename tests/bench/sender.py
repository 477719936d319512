"""A process that sends admission messages over many MLLP connections, as fast as they are answered.

    python -m tests.bench.sender HOST PORT MESSAGES [RATE]

MESSAGES is a JSON file: for each connection the list of its messages, in Base64. Each connection has one message in
flight. With RATE so many messages a second are offered in all: each is due at its own time, whether or not the one
before was answered in time, and from then its waiting counts. What is measured lies between the first tenth and the
moment when the first connection has nothing left to send, so that all of them are busy all the time. Prints one JSON
object.
"""

import asyncio
import base64
import json
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterator
from functools import partial
from itertools import count
from pathlib import Path
from typing import cast

import uvloop

WARM_UP = 0.1  # of the messages, before the counting begins
SETTLE = 0.5  # seconds until the first message is due, where messages are offered at a rate

Pace = Iterator[float]  #: when each next message is due


class Connection(asyncio.Protocol):
    """One connection: a message out, its answer in, the next message."""

    def __init__(
        self, messages: list[bytes], exchanges: list[tuple[float, float]], codes: Counter[str], pace: Pace
    ) -> None:
        self._left = iter(messages)
        self._due = pace
        self._exchanges = exchanges
        self._codes = codes
        self._answer = b""
        self._begun = 0.0
        self.done: asyncio.Future[float] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def send_next(self) -> None:
        message, now = next(self._left, None), time.perf_counter()
        if message is None:
            self.done.set_result(now)
            self._transport.close()
            return
        self._begun = next(self._due, now)
        if self._begun > now:
            asyncio.get_running_loop().call_later(self._begun - now, self._send, message)
        else:
            self._send(message)

    def _send(self, message: bytes) -> None:
        self._transport.write(b"\x0b" + message + b"\x1c\r")

    def data_received(self, data: bytes) -> None:
        self._answer += data
        if self._answer.endswith(b"\x1c\r"):
            self._exchanges.append((self._begun, time.perf_counter()))
            self._codes[self._answer.partition(b"\rMSA|")[2][:2].decode()] += 1
            self._answer = b""
            self.send_next()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.done.done():
            self.done.set_exception(exc or ConnectionError("closed by the receiver"))


def pace(number: int, connections: int, rate: float | None, start: float) -> Pace:
    """When the messages of a connection are due; never, as far as it has to wait, without a rate."""
    return iter(()) if rate is None else count(start + number / rate, connections / rate)


async def send(host: str, port: int, queues: list[list[bytes]], rate: float | None) -> dict[str, object]:
    """Send everything and give back what was measured."""
    exchanges: list[tuple[float, float]] = []
    codes: Counter[str] = Counter()
    loop, start = asyncio.get_running_loop(), time.perf_counter() + SETTLE
    made = []
    for number, queue in enumerate(queues):
        due = pace(number, len(queues), rate, start)
        new = partial(Connection, queue, exchanges, codes, due)
        made.append((await loop.create_connection(new, host, port))[1])
    for connection in made:
        connection.send_next()
    ends = await asyncio.gather(*(connection.done for connection in made))
    first = sorted(end for _, end in exchanges)[int(len(exchanges) * WARM_UP)]
    last = min(ends)
    counted = [end - begun for begun, end in exchanges if begun >= first and end <= last]
    cuts = statistics.quantiles(counted, n=100)
    return {
        "rate": len(counted) / (last - first),
        "seconds": last - first,
        "p50": cuts[49] * 1000,
        "p99": cuts[98] * 1000,
        "codes": codes,
    }


def main() -> None:
    """Read the messages, send them, print."""
    host, port, path, *rate = sys.argv[1:]
    queues = [[base64.b64decode(each) for each in queue] for queue in json.loads(Path(path).read_bytes())]
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        print(json.dumps(runner.run(send(host, int(port), queues, float(rate[0]) if rate else None))))


if __name__ == "__main__":
    main()
