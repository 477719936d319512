"""The MLLP door: frames in, acknowledgements out, one message at a time on each connection.

The shell knows no HL7: it turns reads into frames, hands each to `take`, and writes back what it gives.
Order on a connection is the order of the wire; the answer comes after the commit, because `take` returns
only then. Limits are the door's affair: frame size, idle time, half frames, connections per address, and
peers that do not read their answers.
"""

import asyncio
import contextlib
import ssl
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import Self

from gateway.adapters.mllp import Frame, FrameReader, NeedData, frame
from gateway.errors import SenderFault, TooLarge
from gateway.logs import log
from gateway.settings import Settings

READ_SIZE = 65536
HEAD = 4096  # enough of an oversize frame to find its MSH
FAREWELL = 2.0  # seconds a peer gets to read the last answer before its connection is dropped

Take = Callable[[bytes], Awaitable[bytes]]
Refuse = Callable[[bytes, SenderFault], Awaitable[bytes]]


class MllpDoor:
    """A listening socket for HL7 v2 over MLLP."""

    def __init__(self, *, take: Take, refuse: Refuse, settings: Settings, name: str = "admissions") -> None:
        """`take` keeps one message and gives its acknowledgement; `refuse` answers one that cannot be read whole."""
        self.name = name
        self._take = take
        self._refuse = refuse
        self._settings = settings
        self._server: asyncio.Server | None = None
        self._open: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._addresses: Counter[str] = Counter()
        self._busy: set[asyncio.Task[None]] = set()
        self._stopping = False

    async def open(self, host: str, port: int, *, tls: ssl.SSLContext | None = None) -> Self:
        """Listen; port 0 takes a free one."""
        self._server = await asyncio.start_server(self._connected, host, port, ssl=tls, limit=READ_SIZE)
        return self

    @property
    def address(self) -> str:
        """The address that was bound, as `mllp://host:port`."""
        assert self._server is not None
        host, port = self._server.sockets[0].getsockname()[:2]
        return f"mllp://[{host}]:{port}" if ":" in host else f"mllp://{host}:{port}"

    async def close(self, *, grace: float = 10.0) -> None:
        """Stop accepting, let open messages finish for up to `grace` seconds, then close every connection."""
        self._stopping = True
        if self._server is not None:
            self._server.close()
        for task in set(self._open) - self._busy:
            task.cancel()
        if self._busy:
            await asyncio.wait(self._busy, timeout=grace)
        for task in set(self._open):
            task.cancel()
        if self._open:
            await asyncio.wait(self._open, timeout=grace)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        peer = writer.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        if why := self._no_room(address):
            log("connection_refused", level="warning", door=self.name, address=address, why=why)
            writer.close()
            return
        self._open[task] = writer
        self._addresses[address] += 1
        log("connection_opened", level="debug", door=self.name, address=address)
        why, frames = "closed", [0]
        try:
            why = await self._serve(reader, writer, task, frames)
        except asyncio.CancelledError:
            why = "stopping"
        except ConnectionError:
            why = "reset"
        finally:
            self._addresses[address] -= 1
            if not self._addresses[address]:
                del self._addresses[address]
            del self._open[task]
            log("connection_closed", level="debug", door=self.name, address=address, why=why, frames=frames[0])
            await _close(writer)

    def _no_room(self, address: str) -> str:
        if self._stopping:
            return "stopping"
        if len(self._open) >= self._settings.connections_in_all:
            return "too-many-connections"
        if self._addresses[address] >= self._settings.connections_per_address:
            return "too-many-from-address"
        return ""

    async def _serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, task: asyncio.Task[None], frames: list[int]
    ) -> str:
        """Answer frames until the connection ends; gives back why it ended."""
        incoming = FrameReader(limit=self._settings.mllp_frame_bytes)
        begun: float | None = None  # when the frame began that is not complete yet
        while not self._stopping:
            try:
                event = incoming.next_event()
                if isinstance(event, NeedData):
                    begun = (begun or _now()) if incoming.is_mid_frame else None
                    data = await self._read(reader, begun)
                    if not data:
                        return "half-frame" if begun else "closed"
                    incoming.receive(data)
                    continue
                begun = None
                if isinstance(event, Frame):
                    frames[0] += 1
                    await self._answer(event.payload, writer, task)
            except SenderFault as fault:
                if isinstance(fault, TooLarge):
                    await self._write(writer, await self._refuse(incoming.head(HEAD), fault))
                    await _let_finish(reader, writer)
                return fault.code
            except TimeoutError:
                return "half-frame" if begun else "idle"
        return "stopping"

    async def _read(self, reader: asyncio.StreamReader, begun: float | None) -> bytes:
        """The next bytes, none at the end. Raises `TimeoutError`; a frame that has begun has one limit as a whole."""
        limits = self._settings
        end = _now() + limits.idle_seconds if begun is None else begun + limits.half_frame_seconds
        async with asyncio.timeout_at(end):
            return await reader.read(READ_SIZE)

    async def _answer(self, message: bytes, writer: asyncio.StreamWriter, task: asyncio.Task[None]) -> None:
        """Hand one message on and write back its answer; while this runs the door does not close."""
        self._busy.add(task)
        try:
            await self._write(writer, await self._take(message))
        finally:
            self._busy.discard(task)

    async def _write(self, writer: asyncio.StreamWriter, answer: bytes) -> None:
        """Write an answer, if there is one. Raises `TimeoutError` when the peer reads none of its answers."""
        if answer:
            writer.write(frame(answer))
            if writer.transport.get_write_buffer_size():  # it did not leave at once
                async with asyncio.timeout(self._settings.idle_seconds):
                    await writer.drain()


def _now() -> float:
    return asyncio.get_running_loop().time()


async def _let_finish(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Read what is still on its way, for a moment: closing before would destroy the answer (RFC 9112, 9.6)."""
    if writer.can_write_eof():
        writer.write_eof()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(FAREWELL):
            while await reader.read(READ_SIZE):
                continue


async def _close(writer: asyncio.StreamWriter) -> None:
    """Close a connection once its last answer has left; one whose peer does not read is dropped."""
    writer.close()
    try:
        async with asyncio.timeout(FAREWELL):
            await writer.wait_closed()
    except (ConnectionError, ssl.SSLError, TimeoutError):
        writer.transport.abort()
