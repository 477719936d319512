"""One MLLP connection: frames in, acknowledgements out, one message at a time.

* Order on a connection is the order of the wire. What comes while a message is in work waits in the frame
  reader, and a peer that sends far ahead of its answers is not read from.
* One timer serves all limits of time; it is moved only when its moment comes or when one before it is needed, so a
  message costs no timer.
* However a connection ends, a message that was begun is finished: what has been handed over is kept.

The ways to end are words, for the log: `closed` (by the peer), `reset`, `half-frame`, `idle`, `deaf` (it does not
read its answers), `stopping`, `no-memory-left`, or the code of a framing fault.
"""

import asyncio
import ssl
from collections.abc import Awaitable, Callable, Sequence
from typing import NamedTuple, Protocol, cast

from gateway.adapters.mllp import Frame, FrameEnd, FrameReader, NeedData, frame
from gateway.doors.capacity import Capacity
from gateway.errors import FramingFault, SenderFault, TooLarge
from gateway.logs import log
from gateway.settings import Settings

HEAD = 4096  # enough of an oversize frame to find its MSH
FAREWELL = 2.0  # seconds a peer gets to read the last answer before its connection is dropped
EMPTY_FRAMES = 10_000  # in a row, until patience ends
READ_AHEAD = 64 * 1024  # bytes of further messages that may wait here while one is in work


class Peer(NamedTuple):
    """Who called, as far as the connection tells: the address, and the DER form of a verified client certificate."""

    address: str
    certificate: bytes | None = None


class Desk(Protocol):
    """Where the messages of one connection are taken."""

    def take(self, message: bytes) -> Awaitable[Sequence[bytes]]:
        """Keep one message; gives back its acknowledgements, none where the sender wants none."""

    def refuse(self, head: bytes, fault: SenderFault) -> Awaitable[Sequence[bytes]]:
        """Give back the answers to a message that cannot be read whole."""


Receive = Callable[[Peer], Desk]  #: gives each connection its desk


class MllpConnection(asyncio.Protocol):
    """The protocol of one connection; `ended` is called once, when it is gone."""

    def __init__(
        self,
        address: str,
        *,
        receive: Receive,
        settings: Settings,
        capacity: Capacity,
        ended: Callable[["MllpConnection"], None],
        frame_end: FrameEnd = FrameEnd.ANY,
    ) -> None:
        self.address = address
        self.why = ""  # it ends, once it does
        self.frames = 0  # that held a message
        self.is_made = False
        self._receive = receive
        self._settings = settings
        self._capacity = capacity
        self._ended = ended
        self._reader = FrameReader(limit=settings.mllp_frame_bytes, end=frame_end)
        self._work: asyncio.Task[None] | None = None
        self._drained: asyncio.Future[None] | None = None  # set while the peer leaves answers unread
        self._empty = 0  # frames since the last message
        self._held = 0  # bytes that the capacity counts for this connection
        self._begun: float | None = None  # when the frame began that is not complete yet
        self._deadline = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._is_paused = self._has_ended = self._is_gone = False

    # ── what the transport tells ───────────────────────────────────────────────────────────────

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin; over TLS the handshake is done by now."""
        self.is_made = True
        self._loop = asyncio.get_running_loop()
        self._transport = cast(asyncio.Transport, transport)
        self._transport.set_write_buffer_limits(high=0)  # so that every answer that does not leave is told
        secured: ssl.SSLObject | None = transport.get_extra_info("ssl_object")
        self._is_secure = secured is not None
        self._desk = self._receive(Peer(self.address, secured.getpeercert(binary_form=True) if secured else None))
        self._wait_until(self._loop.time() + self._settings.idle_seconds)

    def data_received(self, data: bytes) -> None:
        """Take what came off the wire; after the last word it is thrown away."""
        if self.why:
            return
        self._reader.receive(data)
        if self._work is None:
            self._go_on()
        elif self._reader.stored > READ_AHEAD and not self._is_paused:
            self._is_paused = True
            self._transport.pause_reading()

    def eof_received(self) -> bool:
        """The peer sends no more; over plain TCP it may still read the answers to what it sent."""
        self._has_ended = True
        if self._work is None:
            self.end("half-frame" if self._reader.is_mid_frame else "closed")
        return not self._is_secure

    def pause_writing(self) -> None:
        """An answer did not leave: the next message waits until it has."""
        self._drained = self._loop.create_future()

    def resume_writing(self) -> None:
        """The peer has read its answers."""
        if self._drained is not None and not self._drained.done():
            self._drained.set_result(None)
        self._drained = None

    def connection_lost(self, exc: Exception | None) -> None:
        """The connection is gone; a message in work is finished without it."""
        self._is_gone = True
        self.why = self.why or ("reset" if exc else "closed")
        self._capacity.hold(-self._held)
        self._held = 0
        if self._timer is not None:
            self._timer.cancel()
        self.resume_writing()
        self._ended(self)

    # ── ending ─────────────────────────────────────────────────────────────────────────────────

    @property
    def work(self) -> asyncio.Task[None] | None:
        """The task of the message in work, if there is one."""
        return self._work

    def stop(self) -> None:
        """Take no further message: end now, or as soon as the one in work is answered."""
        if self._work is None:
            self.end("stopping")
        else:
            self.why = self.why or "stopping"

    def end(self, why: str) -> None:
        """Close once the last answer has left, or after a while whatever the peer does."""
        self.why = self.why or why
        if not self._is_gone:
            self._transport.close()
            self._wait_until(self._loop.time() + FAREWELL)

    def abort(self) -> None:
        """Drop the connection."""
        if self.is_made and not self._is_gone:
            self._transport.abort()

    # ── messages ───────────────────────────────────────────────────────────────────────────────

    def _go_on(self) -> None:
        """Begin the next whole message, or wait for more of it. Nothing is in work."""
        try:
            message = self._next_message()
        except SenderFault as fault:
            self._turn_away(fault)
        else:
            if message is None:
                self._wait_for_more()
            else:
                self._begin(self._serve(message))

    def _next_message(self) -> bytes | None:
        """Give back the next whole message, if it is there. Raises `SenderFault` when the stream is at fault."""
        while True:
            event = self._reader.next_event()
            if isinstance(event, NeedData):
                return None
            self._begun = None  # a frame that begins anew has the whole time again
            if isinstance(event, Frame) and event.payload:
                self.frames += 1
                self._empty = 0
                return event.payload
            if isinstance(event, Frame):
                self._note_empty()

    def _note_empty(self) -> None:
        """An empty frame is no message, and gets no answer: some senders keep a line open so (common practice)."""
        self._empty += 1
        if self._empty > EMPTY_FRAMES:
            raise FramingFault("too many empty frames", code="empty-frames", remedy="send a message in each frame")

    async def _serve(self, message: bytes | None) -> None:
        """Take this message and those that are there behind it, each answered before the next is begun."""
        fault: SenderFault | None = None
        while message is not None:
            async with self._capacity.in_flight:
                given = await self._desk.take(message)
            self._write(given)
            await self._until_read()
            message = None
            if not self.why:
                try:
                    message = self._next_message()
                except SenderFault as error:
                    fault = error
        self._work = None
        if fault is not None:
            self._turn_away(fault)
        elif self.why:
            self.end(self.why)
        else:
            self._wait_for_more()

    def _turn_away(self, fault: SenderFault) -> None:
        """End for a fault of the stream; the sender of an oversize message is told."""
        if isinstance(fault, TooLarge):
            self._begin(self._refuse(fault))
        else:
            self.end(fault.code)

    async def _refuse(self, fault: SenderFault) -> None:
        """Answer, and read on for a moment: closing while it still sends would destroy the answer (RFC 9112, 9.6)."""
        head = self._reader.head(HEAD)
        self.why = fault.code
        self._write(await self._desk.refuse(head, fault))
        self._work = None
        if self._has_ended or self._is_gone:
            self.end(fault.code)
            return
        if self._transport.can_write_eof():
            self._transport.write_eof()
        self._wait_until(self._loop.time() + FAREWELL)
        self._read_on()

    def _begin(self, work: "asyncio._CoroutineLike[None]") -> None:
        self._work = self._loop.create_task(work)
        self._work.add_done_callback(self._look_after)

    def _look_after(self, task: asyncio.Task[None]) -> None:
        """A mistake of ours ends the connection: its sender sends the message again."""
        error = None if task.cancelled() else task.exception()
        if error is not None:
            log("request_failed", level="error", error=type(error).__name__)
        if task.cancelled() or error is not None:
            self._work = None
            self.abort()

    def _write(self, answers: Sequence[bytes]) -> None:
        if not self._is_gone:
            for answer in answers:
                self._transport.write(frame(answer))

    async def _until_read(self) -> None:
        """Wait for a peer that leaves its answers unread; the timer drops one that never reads them."""
        if self._drained is not None:
            self._wait_until(self._loop.time() + self._settings.idle_seconds)
            await self._drained

    # ── time ───────────────────────────────────────────────────────────────────────────────────

    def _wait_for_more(self) -> None:
        """Nothing whole is there: wait for the rest of a frame, or for the next."""
        stored, now = self._reader.stored, self._loop.time()
        has_room = self._capacity.hold(stored - self._held)
        self._held = stored
        if not has_room:
            self.end("no-memory-left")
            self.abort()
        elif self._has_ended:
            self.end("half-frame" if self._reader.is_mid_frame else "closed")
        elif self._reader.is_mid_frame:
            self._begun = self._begun or now
            self._wait_until(self._begun + self._settings.half_frame_seconds)
        else:
            self._wait_until(now + self._settings.idle_seconds)
        self._read_on()

    def _read_on(self) -> None:
        if self._is_paused and not self._is_gone:
            self._is_paused = False
            self._transport.resume_reading()

    def _wait_until(self, deadline: float) -> None:
        """Let the timer ring at `deadline`; one that rings before will see for itself."""
        self._deadline = deadline
        if self._timer is None or deadline < self._timer.when():
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self._loop.call_at(deadline, self._ring)

    def _ring(self) -> None:
        self._timer = None
        if self._loop.time() < self._deadline:
            self._wait_until(self._deadline)
        elif self._drained is not None:
            self.why = self.why or "deaf"
            self.abort()
        elif self._work is None and self._transport.is_closing():
            self.abort()
        elif self._work is None:
            self.end("half-frame" if self._reader.is_mid_frame else "idle")
