"""MLLP, the framing of HL7 v2 on a stream: bytes in, events out.

A frame is `<0x0B> message <0x1C> <0x0D>` (HL7 transport specification, MLLP release 1). Two rules hold
this file together.

* The reader knows no socket and no clock. `receive` stores bytes, `next_event` says what they mean, and
  the events do not depend on how the bytes were cut into pieces on their way.
* What is kept is bounded: an unfinished frame by `limit`, bytes outside frames by `junk_limit` (they are
  counted and thrown away at once). Every byte is searched once, however slowly the sender sends.

What to do with bad framing is common practice rather than text of the standard; see each event.
"""

from enum import Enum, StrEnum
from typing import NamedTuple

from gateway.errors import FramingFault, GatewayFault, SenderFault, TooLarge

START = b"\x0b"
END = b"\x1c"
CARRIAGE_RETURN = b"\r"

# Emergency-department reports travel as Base64 in one OBX, so a frame may be large; nothing legitimate
# stands between frames, so little of it is enough to know that the peer does not speak MLLP.
FRAME_LIMIT = 16 * 1024 * 1024
JUNK_LIMIT = 64 * 1024


class Frame(NamedTuple):
    """One message as it stood between the start and the end byte."""

    payload: bytes


class Skipped(NamedTuple):
    """`size` bytes before a start byte: thrown away."""

    size: int


class Dropped(NamedTuple):
    """An unfinished frame of `size` bytes was thrown away, because another began or the stream ended."""

    size: int


class NeedData(Enum):
    """The type of `NEED_DATA`."""

    NEED_DATA = "need data"


NEED_DATA = NeedData.NEED_DATA  #: nothing more can be said before `receive` is called again
Event = Frame | Skipped | Dropped | NeedData


class FrameEnd(StrEnum):
    """What ends a frame; a setting of the listener."""

    ANY = "any"  #: the end byte alone, since some senders leave the carriage return out
    PAIR = "pair"  #: only end byte and carriage return together, for peers that send binary data


class FrameReader:
    """Cuts one connection's stream into events.

    After a fault the reader stays at fault: the connection has lost its place and must be closed.
    """

    def __init__(self, *, limit: int = FRAME_LIMIT, junk_limit: int = JUNK_LIMIT, end: FrameEnd = FrameEnd.ANY) -> None:
        self._limit = limit
        self._junk_limit = junk_limit
        self._end = END if end is FrameEnd.ANY else END + CARRIAGE_RETURN
        self._buffer = bytearray()
        self._in_frame = False
        self._closing = b""  # what may still follow the frame that has just ended, and means nothing
        self._no_start_before = 0  # the buffer was searched for a start byte up to here
        self._no_end_before = 0  # and for an end up to here
        self._skipped = 0  # bytes outside frames, not told yet
        self._junk = 0  # bytes outside frames and broken starts since the last good frame
        self._fault: SenderFault | None = None

    @property
    def is_mid_frame(self) -> bool:
        """Whether a frame has begun and not ended: the time limit for half a frame runs."""
        return self._in_frame

    @property
    def stored(self) -> int:
        """How many bytes wait here: of a frame that is not whole, or not asked for yet."""
        return len(self._buffer)

    def head(self, size: int) -> bytes:
        """Give back up to `size` first bytes of the unfinished frame, so that an oversize one can be answered."""
        return bytes(self._buffer[:size]) if self._in_frame else b""

    def receive(self, data: bytes) -> None:
        """Store what came off the wire."""
        if self._fault is None:
            self._buffer += data

    def next_event(self) -> Event:
        """Say what the stored bytes mean; call until it gives `NEED_DATA`.

        Raises `TooLarge` for a frame over the limit and `FramingFault` when too much stands outside frames;
        both again at every later call.
        """
        if self._fault is not None:
            raise self._fault
        if not self._in_frame:
            skipped = self._find_start()
            if skipped is not None:
                return skipped
        return self._read_frame() if self._in_frame else NEED_DATA

    def close(self) -> Skipped | Dropped | None:
        """The stream has ended: give back what was left of it, if anything."""
        left: Skipped | Dropped | None = None
        if self._in_frame:
            left = Dropped(len(self._buffer))
        elif self._skipped:
            left = Skipped(self._skipped)
        self._buffer.clear()
        self._in_frame = False
        self._skipped = 0
        return left

    def _find_start(self) -> Skipped | None:
        self._swallow_closing()
        buffer = self._buffer
        start = buffer.find(START)
        outside = len(buffer) if start < 0 else start
        self._skipped += outside
        self._count_junk(outside)
        del buffer[: outside + 1]
        if start < 0:
            return None
        self._begin()
        skipped, self._skipped = self._skipped, 0
        return Skipped(skipped) if skipped else None

    def _swallow_closing(self) -> None:
        """Take an optional CR and then an optional LF after a frame; senders differ in what they add."""
        while self._closing and self._buffer:
            expected, self._closing = self._closing[0], self._closing[1:]
            if self._buffer[0] == expected:
                del self._buffer[0]

    def _begin(self) -> None:
        self._in_frame = True
        self._no_start_before = self._no_end_before = 0

    def _read_frame(self) -> Event:
        end = self._find_end()
        known = len(self._buffer) if end < 0 else end
        restart = self._buffer.find(START, self._no_start_before, known)
        length = known if restart < 0 else restart
        # The first byte of a possible end belongs to the content only once the second is known.
        pending = end < 0 and restart < 0 and len(self._end) > 1 and self._buffer.endswith(END)
        if length - pending > self._limit:
            raise self._fail(
                TooLarge(
                    "a frame is over the limit", code="frame-too-large", hl7_code="104", remedy="send less at once"
                )
            )
        if restart >= 0:
            return self._drop(restart)
        if end < 0:
            self._no_start_before = known
            return NEED_DATA
        return self._finish(end)

    def _find_end(self) -> int:
        end = self._buffer.find(self._end, self._no_end_before)
        self._no_end_before = end if end >= 0 else max(len(self._buffer) - len(self._end) + 1, 0)
        return end

    def _drop(self, restart: int) -> Dropped:
        """A start byte inside a frame: the sender gave up and began anew, so the message comes again."""
        del self._buffer[: restart + 1]
        self._no_start_before = 0
        self._no_end_before = max(self._no_end_before - restart - 1, 0)
        self._count_junk(1)
        return Dropped(restart)

    def _finish(self, end: int) -> Frame:
        with memoryview(self._buffer) as view:
            payload = bytes(view[:end])
        del self._buffer[: end + len(self._end)]
        self._in_frame = False
        self._closing = b"\r\n"[len(self._end) - 1 :]
        self._junk = 0
        return Frame(payload)

    def _count_junk(self, count: int) -> None:
        self._junk += count
        if self._junk > self._junk_limit:
            raise self._fail(
                FramingFault(
                    "too many bytes outside frames",
                    code="no-frame",
                    hl7_code="100",
                    remedy="send each message as 0x0B, message, 0x1C, 0x0D",
                )
            )

    def _fail(self, fault: SenderFault) -> SenderFault:
        self._fault = fault
        return fault


def frame(payload: bytes) -> bytes:
    """Give back the payload in its frame.

    Raises `GatewayFault` when it holds a start or end byte: the receiver would see another message than ours.
    """
    if START in payload or END in payload:
        raise GatewayFault("a message to send holds a framing byte")
    return b"".join((START, payload, END, CARRIAGE_RETURN))
