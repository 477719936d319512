"""A process that sends admission messages over many MLLP connections, as fast as they are answered.

    python -m tests.bench.sender HOST PORT MESSAGES

MESSAGES is a JSON file: for each connection the list of its messages, in Base64. Each connection has one
message in flight. What is measured lies between the first tenth and the moment when the first connection has
nothing left to send, so that all of them are busy all the time. Prints one JSON object.
"""

import asyncio
import base64
import json
import statistics
import sys
import time
from collections import Counter
from pathlib import Path
from typing import cast

import uvloop

WARM_UP = 0.1  # of the messages, before the counting begins


class Connection(asyncio.Protocol):
    """One connection: a message out, its answer in, the next message."""

    def __init__(self, messages: list[bytes], exchanges: list[tuple[float, float]], codes: Counter[str]) -> None:
        self._left = iter(messages)
        self._exchanges = exchanges
        self._codes = codes
        self._answer = b""
        self._begun = 0.0
        self.done: asyncio.Future[float] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def send_next(self) -> None:
        message = next(self._left, None)
        self._begun = time.perf_counter()
        if message is None:
            self.done.set_result(self._begun)
            self._transport.close()
        else:
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


async def send(host: str, port: int, queues: list[list[bytes]]) -> dict[str, object]:
    """Send everything and give back what was measured."""
    exchanges: list[tuple[float, float]] = []
    codes: Counter[str] = Counter()
    loop = asyncio.get_running_loop()
    made = [
        (await loop.create_connection(lambda queue=queue: Connection(queue, exchanges, codes), host, port))[1]
        for queue in queues
    ]
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
    host, port, path = sys.argv[1:]
    queues = [[base64.b64decode(each) for each in queue] for queue in json.loads(Path(path).read_bytes())]
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        print(json.dumps(runner.run(send(host, int(port), queues))))


if __name__ == "__main__":
    main()
