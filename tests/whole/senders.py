"""Senders that stream to a gateway which may be away at any moment, as an agency's and a hospital's systems do.

Each sends one run after the other: a care report by HTTP and the admissions of the visit over an MLLP connection of
its own, in either order. What was not acknowledged is sent again, the same bytes, until it is; an answer that means
"try again" is no acknowledgement. What was sent and answered is written down here, outside the gateway.
"""

import asyncio
import random
from collections import Counter
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import httpx

from tests.bench.traffic import Run
from tests.receivers import field as header_field
from tests.wire.process import Gateway

PATIENCE = 20.0  # seconds an answer may take
LONGEST_PAUSE = 0.02  # seconds between two messages of a sender: streaming, not pushing


@dataclass
class Book:
    """What was sent: how often each message left, and how each was acknowledged."""

    left: Counter[bytes] = field(default_factory=Counter)
    answers: dict[bytes, list[str]] = field(default_factory=dict)
    put_off: int = 0  #: answers that meant "try again"
    runs: list[Run] = field(default_factory=list)

    def acknowledge(self, message: bytes, code: str) -> None:
        """Write an acknowledgement down."""
        self.answers.setdefault(message, []).append(code)


class Away(Exception):
    """No answer, or one that means "try again"."""


class Sender:
    """One system with its connection."""

    def __init__(self, gateway: Gateway, book: Book, up: asyncio.Event, chance: random.Random) -> None:
        """`up` is set while there is something to connect to."""
        self._gateway = gateway
        self._book = book
        self._up = up
        self._chance = chance
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._client = httpx.AsyncClient(timeout=PATIENCE, trust_env=False)

    async def stream(self, runs: Iterator[Run], over: asyncio.Event) -> None:
        """Send one run after the other; a run that has begun is sent to its end."""
        for run in runs:
            self._book.runs.append(run)
            await self.send(run)
            if over.is_set():
                break
        await self.close()

    async def close(self) -> None:
        """Let go of the connections."""
        await self._hang_up()
        await self._client.aclose()

    async def send(self, run: Run) -> None:
        """Send one run, the report before the admissions or among them."""
        place = self._chance.randint(0, len(run.admissions))
        steps: Sequence[bytes] = (*run.admissions[:place], run.report, *run.admissions[place:])
        for message in steps:
            await self.insist(message, run.feed)
            await asyncio.sleep(self._chance.uniform(0, LONGEST_PAUSE))

    async def insist(self, message: bytes, feed: str) -> None:
        """Send one message until it is acknowledged."""
        while True:
            await self._up.wait()
            self._book.left[message] += 1
            try:
                code = await (self._admit(message) if message.startswith(b"MSH") else self._report(message, feed))
            except (Away, OSError, EOFError, httpx.TransportError):
                await self._hang_up()
                await asyncio.sleep(LONGEST_PAUSE)
                continue
            self._book.acknowledge(message, code)
            return

    async def _admit(self, message: bytes) -> str:
        """Send over MLLP; gives back MSA-1, once MSA-2 names this message."""
        if self._streams is None:
            self._streams = await asyncio.open_connection(*self._gateway.mllp)
        reader, writer = self._streams
        writer.write(b"\x0b" + message + b"\x1c\r")
        answer = await asyncio.wait_for(reader.readuntil(b"\x1c\r"), PATIENCE)
        _, _, said = answer.partition(b"\rMSA|")
        code, control_id = said.split(b"\r")[0].split(b"|")[:2]
        assert control_id == header_field(message, 10), "an answer to another message"
        return self._taken(code.decode(), {"AA"}, {"AR"})

    async def _report(self, message: bytes, feed: str) -> str:
        headers = {"Authorization": f"Bearer demo-{feed}", "Content-Type": "application/xml"}
        answer = await self._client.post(f"{self._gateway.web}/care-reports", content=message, headers=headers)
        return self._taken(str(answer.status_code), {"200"}, {"503"})

    def _taken(self, code: str, taken: set[str], later: set[str]) -> str:
        if code in later:
            self._book.put_off += 1
            raise Away
        assert code in taken, f"answered {code}"
        return code

    async def _hang_up(self) -> None:
        if self._streams is not None:
            self._streams[1].close()
            self._streams = None


@asynccontextmanager
async def streaming(
    gateway: Gateway, runs: Iterator[Run], up: asyncio.Event, chance: random.Random, *, senders: int
) -> AsyncIterator[Book]:
    """Let so many senders stream while the block runs; at its end each finishes the run that it has begun."""
    book, over = Book(), asyncio.Event()
    made = [Sender(gateway, book, up, random.Random(chance.random())) for _ in range(senders)]
    async with asyncio.TaskGroup() as tasks:
        for each in made:
            tasks.create_task(each.stream(runs, over))
        try:
            yield book
        finally:
            over.set()
