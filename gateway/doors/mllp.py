"""The MLLP door: a port that connections come to, and what all of them share.

It knows no HL7: what a connection brings goes to the desk that `receive` gives it (`gateway.doors.mllp_connection`).
Connections are counted from the moment they are accepted, so a TLS handshake that never ends takes a place and
gives it back in time; each handshake uses the certificate of that moment.
"""

import asyncio
import errno
import socket
import ssl
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Self

from gateway.adapters.mllp import FrameEnd
from gateway.doors.capacity import Capacity
from gateway.doors.mllp_connection import FAREWELL, MllpConnection, Receive
from gateway.logs import log
from gateway.settings import Settings

BACKLOG = 2048  # connections that may wait to be taken
PAUSE = 0.2  # seconds until the next try where the system has nothing left for a new connection
#: What accepting may meet that is no fault of the door's: a connection gone already, or no room in the system.
_GONE = frozenset({errno.ECONNABORTED, errno.EPROTO, errno.EPERM})
_NO_ROOM = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})


class MllpDoor:
    """A listening socket for HL7 v2 over MLLP."""

    def __init__(
        self,
        *,
        receive: Receive,
        settings: Settings,
        capacity: Capacity | None = None,
        name: str = "admissions",
        frame_end: FrameEnd = FrameEnd.ANY,
    ) -> None:
        """`receive` gives each connection its desk; doors that share their limits share a `capacity`."""
        self.name = name
        self._receive = receive
        self._settings = settings
        self._capacity = capacity or Capacity(settings)
        self._frame_end = frame_end
        self._connections: set[MllpConnection] = set()
        self._meeting: set[asyncio.Task[None]] = set()
        self._refused: Counter[str] = Counter()  # since somebody was let in, by reason
        self._tls: Callable[[], ssl.SSLContext] | None = None
        self._empty = asyncio.Event()  # set whenever the last connection goes

    async def open(self, host: str, port: int, *, tls: Callable[[], ssl.SSLContext] | None = None) -> Self:
        """Listen; port 0 takes a free one. `tls` gives the context for a new connection. Raises `OSError`."""
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._listening = socket.create_server((host, port), family=family, backlog=BACKLOG)
        self._listening.setblocking(False)
        self._tls = tls
        self.task = asyncio.create_task(self._accept(), name=f"door-{self.name}")
        return self

    @property
    def address(self) -> str:
        """The address that was bound, as `mllp://host:port`; with TLS `mllps://host:port`."""
        host, port = self._listening.getsockname()[:2]
        return f"{'mllps' if self._tls else 'mllp'}://{f'[{host}]' if ':' in host else host}:{port}"

    async def close(self, *, grace: float = 10.0) -> None:
        """Stop accepting, let open messages finish for up to `grace` seconds, then close every connection."""
        for task in (self.task, *self._meeting):
            task.cancel()
        await asyncio.wait({self.task, *self._meeting})
        self._listening.close()
        for connection in set(self._connections):
            connection.stop()
        if busy := {connection.work for connection in self._connections if connection.work}:
            _, unfinished = await asyncio.wait(busy, timeout=grace)
            for task in unfinished:
                task.cancel()
        for connection in set(self._connections):
            connection.end("stopping")
        await self._until_empty(FAREWELL)

    async def _until_empty(self, limit: float) -> None:
        """Wait until every connection is gone; whose peer does not read its last answer is dropped."""
        self._empty.clear()
        if not self._connections:
            return
        try:
            await asyncio.wait_for(self._empty.wait(), limit)
        except TimeoutError:
            for connection in set(self._connections):
                connection.abort()

    # ── who comes ──────────────────────────────────────────────────────────────────────────────

    async def _accept(self) -> None:
        """Let in who comes, for ever. Raises `OSError` when nobody can come any more."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                connected, peer = await loop.sock_accept(self._listening)
            except OSError as error:
                if error.errno not in _GONE | _NO_ROOM:
                    raise
                if error.errno in _NO_ROOM:
                    self._turn_away("", "no-room-in-the-system")
                await asyncio.sleep(PAUSE if error.errno in _NO_ROOM else 0)
                continue
            self._let_in(connected, str(peer[0]))
            await asyncio.sleep(0)  # a flood of connections must not keep those waiting who are in

    def _let_in(self, connected: socket.socket, address: str) -> None:
        if why := self._capacity.why_full(address):
            connected.close()
            self._turn_away(address, why)
            return
        self._capacity.enter(address)
        connection = MllpConnection(
            address,
            receive=self._receive,
            settings=self._settings,
            capacity=self._capacity,
            ended=self._ended,
            frame_end=self._frame_end,
        )
        self._connections.add(connection)
        task = asyncio.create_task(self._meet(connection, connected))
        self._meeting.add(task)
        task.add_done_callback(partial(self._met, connection, connected))

    def _turn_away(self, address: str, why: str) -> None:
        if times := self._times_to_tell(why):
            log("connection_refused", level="warning", door=self.name, address=address, why=why, times=times)

    def _handshake_failed(self, address: str, why: str) -> None:
        if times := self._times_to_tell(why):
            log("handshake_failed", level="warning", door=self.name, address=address, why=why, times=times)

    def _times_to_tell(self, why: str) -> int:
        """How often this has happened in a row, the first, second, fourth, eighth … time; else 0.

        A flood of callers is no flood of lines.
        """
        self._refused[why] += 1
        times = self._refused[why]
        return 0 if times & (times - 1) else times

    async def _meet(self, connection: MllpConnection, connected: socket.socket) -> None:
        """Set a connection up, with its TLS handshake."""
        try:
            connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            await self._connect(connection, connected)
        except (OSError, EOFError) as error:
            if self._tls is not None:
                self._handshake_failed(connection.address, _why(error))
        else:
            self._refused.clear()
            log("connection_opened", level="debug", door=self.name, address=connection.address)

    def _met(self, connection: MllpConnection, connected: socket.socket, task: asyncio.Task[None]) -> None:
        """Who failed is gone and no longer counted, a task that was cancelled before it began too."""
        self._meeting.discard(task)
        if not connection.is_made:
            connected.close()
            self._forget(connection)

    async def _connect(self, connection: MllpConnection, connected: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        if self._tls is None:
            await loop.connect_accepted_socket(lambda: connection, connected)
            return
        await loop.connect_accepted_socket(
            lambda: connection,
            connected,
            ssl=self._tls(),
            ssl_handshake_timeout=self._settings.tls_handshake_seconds,
            ssl_shutdown_timeout=FAREWELL,
        )

    def _ended(self, connection: MllpConnection) -> None:
        log(
            "connection_closed",
            level="debug",
            door=self.name,
            address=connection.address,
            why=connection.why,
            frames=connection.frames,
        )
        self._forget(connection)

    def _forget(self, connection: MllpConnection) -> None:
        self._connections.discard(connection)
        self._capacity.leave(connection.address)
        if not self._connections:
            self._empty.set()


def _why(error: Exception) -> str:
    """What went wrong with a handshake, in the words of OpenSSL's own tables: never anything the peer sent."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"certificate: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return (error.reason or "tls").lower().replace("_", " ")
    return "no handshake in time" if isinstance(error, TimeoutError | ConnectionAbortedError) else "connection lost"
