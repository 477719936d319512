"""The MLLP door for tests, and clients of it that behave and clients that do not, on real sockets.

Framing and acknowledgements are those of `tests.receivers`, written by hand from the transport specification.
"""

import asyncio
import socket
import ssl
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import uvloop

from gateway.doors.mllp import MllpDoor
from gateway.doors.mllp_connection import Peer
from gateway.errors import SenderFault
from gateway.settings import Settings
from tests.receivers import acknowledgement

MESSAGE = b"MSH|^~\\&|AHREG|AHMC|GATE|YARROWFEN|20260314||ADT^A04^ADT_A01|M1|P|2.5.1\rPID|1||77^^^AHMC^MR\r"
Take = Callable[[bytes], Awaitable[tuple[bytes, ...]]]


def numbered(number: int) -> bytes:
    return MESSAGE.replace(b"|M1|", b"|M%d|" % number)


def framed(message: bytes = MESSAGE) -> bytes:
    return b"\x0b" + message + b"\x1c\r"


def answer_to(message: bytes) -> bytes:
    """What the taking side of these tests says: an acknowledgement without its frame."""
    return acknowledgement(message)[1:-2]


def on_each_loop(run: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run a test on the loop the gateway is served by, and on Python's own, which differ where it hurts."""
    for loop in (uvloop.new_event_loop, asyncio.new_event_loop):
        with asyncio.Runner(loop_factory=loop) as runner:
            runner.run(run())


class Desk:
    """Takes every message, and remembers it and who called."""

    def __init__(self, take: Take | None = None) -> None:
        self.taken: list[bytes] = []
        self.refused: list[tuple[bytes, str]] = []
        self.peers: list[Peer] = []
        self._take = take

    async def take(self, message: bytes) -> tuple[bytes, ...]:
        if self._take is not None:
            return await self._take(message)
        self.taken.append(message)
        return (answer_to(message),)

    async def refuse(self, head: bytes, fault: SenderFault) -> tuple[bytes, ...]:
        self.refused.append((head, fault.code))
        return (acknowledgement(head, b"AR")[1:-2],)

    def receive(self, peer: Peer) -> "Desk":
        self.peers.append(peer)
        return self


@asynccontextmanager
async def door(
    desk: Desk | None = None,
    *,
    take: Take | None = None,
    tls: Callable[[], ssl.SSLContext] | None = None,
    **settings: float,
) -> AsyncIterator[MllpDoor]:
    desk = desk or Desk(take)
    opened = MllpDoor(receive=desk.receive, settings=Settings.model_validate(settings))
    await opened.open("127.0.0.1", 0, tls=tls)
    try:
        yield opened
    finally:
        await opened.close(grace=2)


def port_of(opened: MllpDoor) -> int:
    return int(opened.address.rpartition(":")[2])


class Caller:
    """A hospital's end: sends bytes as it likes, and reads answers."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def send(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def answer(self) -> bytes:
        """The control id of the next answer."""
        return self.control_id(await asyncio.wait_for(self.reader.readuntil(b"\x1c\r"), 10))

    @staticmethod
    def control_id(answer: bytes) -> bytes:
        return answer.split(b"MSA|")[1].split(b"|")[1].rstrip(b"\r\x1c")

    async def ended(self) -> bool:
        """Whether the door hangs up, with nothing more to say."""
        try:
            return await asyncio.wait_for(self.reader.read(), 10) == b""
        except ConnectionError:
            return True


@asynccontextmanager
async def calling(opened: MllpDoor, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[Caller]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port_of(opened), ssl=tls, limit=1 << 24)
    try:
        yield Caller(reader, writer)
    finally:
        writer.close()


async def is_answered(opened: MllpDoor) -> bool:
    """Whether a new caller is let in and heard."""
    async with calling(opened) as caller:
        try:
            await caller.send(framed())
            return bool(await caller.reader.read(1))
        except ConnectionError:
            return False


async def until_answered(opened: MllpDoor) -> None:
    """Try until the door has seen that the others are gone."""
    async with asyncio.timeout(10):
        while not await is_answered(opened):
            continue


def reset(port: int, sent: bytes) -> None:
    """Send something and break the connection off, as a process that dies does: RST in place of FIN."""
    with socket.create_connection(("127.0.0.1", port)) as plain:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        plain.sendall(sent)
