"""Between the process that reads and the one that keeps: messages go over, and what became of each comes back.

    reading process   socket → frame → read and mapped ─┐   one local stream, each thing as
    keeping process   one transaction, then the answer ←┘   its length (4 bytes) and MessagePack

Python gives one process one processor. With reading in a process of its own, the connections are never starved
by the writing of others, and the two use a processor each. The rules:

* What goes over is plain data; the two processes hold the same region, which changes only by `Stages`.
* A message belongs to the keeping process as soon as it is handed over, and is answered after the commit.
* Neither process outlives the other: the end of the stream is the end of the service. What became of the messages
  that were under way nobody knows then, so nobody answers them: their senders send again, and a repeat is known.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from itertools import count

import msgspec

from gateway.errors import GatewayFault, NotKept
from gateway.keeping import Keeper, ReadMessage, Refused, Settled
from gateway.logs import log
from gateway.records import Stage

LENGTH = 4  # bytes that say how long the next thing is
READ_SIZE = 256 * 1024


class Keep(msgspec.Struct, frozen=True, tag="keep"):
    """A message to keep; its answer has the same number."""

    number: int
    message: ReadMessage


class Refuse(msgspec.Struct, frozen=True, tag="refuse"):
    """A message for the quarantine; its answer has the same number."""

    number: int
    refused: Refused


class Became(msgspec.Struct, frozen=True, tag="became"):
    """What became of a message: settled (None for a refused one), or nothing at all: it was not kept."""

    number: int
    settled: Settled | None = None
    is_kept: bool = True


class Stages(msgspec.Struct, frozen=True, tag="stages"):
    """The stage of each feed from the next message on."""

    stages: dict[str, Stage]


class Stop(msgspec.Struct, frozen=True, tag="stop"):
    """Take no more messages, answer those at hand, and end."""


class Open(msgspec.Struct, frozen=True, tag="open", kw_only=True):
    """What the reading process serves: the region file with the stages of its feeds, and the door of `serve`."""

    region: str
    stages: dict[str, Stage]
    host: str
    port: int
    certificate: str | None = None
    key: str | None = None


class Opened(msgspec.Struct, frozen=True, tag="opened"):
    """Every door of the reading process is open: their addresses by name."""

    addresses: dict[str, str]


class NotOpened(msgspec.Struct, frozen=True, tag="not-opened"):
    """A door cannot be opened: what the operator is told."""

    says: str


Thing = Keep | Refuse | Became | Open | Stages | Stop | Opened | NotOpened

_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(Thing)


class Line:
    """One end of the stream. Things sent in one turn of the loop leave together."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Take an open stream."""
        self._reader = reader
        self._writer = writer
        self._leaving: list[bytes] = []

    def send(self, thing: Thing) -> None:
        """Send one thing; order is kept. On a stream that has ended it goes nowhere: the reader notices."""
        data = _ENCODER.encode(thing)
        if not self._leaving:
            asyncio.get_running_loop().call_soon(self._leave)
        self._leaving += (len(data).to_bytes(LENGTH), data)

    async def things(self) -> AsyncIterator[Thing]:
        """Give back what comes, until the other end is gone; once only."""
        waiting = bytearray()
        with contextlib.suppress(ConnectionError):
            while data := await self._reader.read(READ_SIZE):
                waiting += data
                for thing in _take_whole(waiting):
                    yield _DECODER.decode(thing)

    async def close(self) -> None:
        """Let what was sent leave, and end the stream."""
        self._leave()
        self._writer.close()
        with contextlib.suppress(ConnectionError):
            await self._writer.wait_closed()

    def _leave(self) -> None:
        if self._leaving:
            self._writer.writelines(self._leaving)
            self._leaving.clear()


def _take_whole(waiting: bytearray) -> list[bytes]:
    """Take the whole things off the front of what has come."""
    found, at = [], 0
    while len(waiting) >= at + LENGTH:
        end = at + LENGTH + int.from_bytes(waiting[at : at + LENGTH])
        if end > len(waiting):
            break
        found.append(bytes(waiting[at + LENGTH : end]))
        at = end
    del waiting[:at]
    return found


class FarKeeper:
    """The keeper as the reading process sees it: hands over and waits for what became of it."""

    def __init__(self, line: Line) -> None:
        """Take the reading process's end of the line."""
        self._line = line
        self._numbers = count()
        self._waiting: dict[int, asyncio.Future[Settled | None]] = {}

    async def keep(self, message: ReadMessage) -> Settled:
        """Hand a message over; returns after its commit. Raises `NotKept` when it was not."""
        number = next(self._numbers)
        settled = await self._answer(number, Keep(number, message))
        assert settled is not None, "a kept message is settled"
        return settled

    async def refuse(self, refused: Refused) -> None:
        """Hand over a message for the quarantine. Raises `NotKept` when that failed."""
        number = next(self._numbers)
        await self._answer(number, Refuse(number, refused))

    def answered(self, became: Became) -> None:
        """Wake who waits for this answer; it may have given up."""
        waiting = self._waiting.pop(became.number, None)
        if waiting is None or waiting.done():
            return
        if became.is_kept:
            waiting.set_result(became.settled)
        else:
            waiting.set_exception(NotKept("the keeping process could not keep it"))

    async def _answer(self, number: int, thing: Keep | Refuse) -> Settled | None:
        waiting: asyncio.Future[Settled | None] = asyncio.get_running_loop().create_future()
        self._waiting[number] = waiting
        self._line.send(thing)
        return await waiting


async def keep_for(line: Line, keeper: Keeper, hear: Callable[[Opened | NotOpened], object]) -> None:
    """Keep what the reading process hands over, each message in its own time, until that process is gone."""
    at_work: set[asyncio.Task[None]] = set()
    async for thing in line.things():
        if isinstance(thing, Keep | Refuse):
            task = asyncio.create_task(_settle(line, keeper, thing))
            at_work.add(task)
            task.add_done_callback(at_work.discard)
        elif isinstance(thing, Opened | NotOpened):
            hear(thing)
    if at_work:
        await asyncio.wait(at_work)


async def _settle(line: Line, keeper: Keeper, thing: Keep | Refuse) -> None:
    try:
        if isinstance(thing, Keep):
            became = Became(thing.number, settled=await keeper.keep(thing.message))
        else:
            await keeper.refuse(thing.refused)
            became = Became(thing.number)
    except Exception as error:  # noqa: BLE001  whatever we did wrong, the sender must not wait for ever
        kind = type(error.__cause__ or error).__name__
        if isinstance(error, GatewayFault):
            log("store_failed", level="error", error=kind)
        else:
            log("request_failed", level="error", error=kind)
        became = Became(thing.number, is_kept=False)
    line.send(became)


async def read_for(
    things: AsyncIterator[Thing],
    keeper: FarKeeper,
    *,
    set_stage: Callable[[str, Stage], object],
    stop: Callable[[], object],
) -> None:
    """Take what the keeping process says until it is gone; after `stop` it still answers what is at hand."""
    async for thing in things:
        if isinstance(thing, Became):
            keeper.answered(thing)
        elif isinstance(thing, Stages):
            for name, stage in thing.stages.items():
                set_stage(name, stage)
        elif isinstance(thing, Stop):
            stop()
