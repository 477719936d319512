"""The MLLP door: frames in, acknowledgements out, one message at a time on each connection.

The shell knows no HL7: it turns reads into frames, hands each to `take`, and writes back what it gives.
Order on a connection is the order of the wire; the answer comes after the commit, because `take` returns
only then. Limits are the door's affair: frame size, idle time, half frames, connections per address.
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
            del self._open[task]
            writer.close()
            log("connection_closed", level="debug", door=self.name, address=address, why=why, frames=frames[0])
            with contextlib.suppress(ConnectionError, ssl.SSLError, TimeoutError):  # it may be broken already
                await writer.wait_closed()

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
        while not self._stopping:
            try:
                event = incoming.next_event()
            except SenderFault as fault:
                if isinstance(fault, TooLarge):
                    writer.write(frame(await self._refuse(incoming.head(HEAD), fault)))
                    await writer.drain()
                return fault.code
            if isinstance(event, Frame):
                frames[0] += 1
                self._busy.add(task)
                try:
                    answer = await self._take(event.payload)
                    if answer:
                        writer.write(frame(answer))
                        await writer.drain()
                finally:
                    self._busy.discard(task)
            elif isinstance(event, NeedData):
                limits = self._settings
                wait = limits.half_frame_seconds if incoming.is_mid_frame else limits.idle_seconds
                try:
                    async with asyncio.timeout(wait):
                        data = await reader.read(READ_SIZE)
                except TimeoutError:
                    return "half-frame" if incoming.is_mid_frame else "idle"
                if not data:
                    return "half-frame" if incoming.is_mid_frame else "closed"
                incoming.receive(data)
        return "stopping"
