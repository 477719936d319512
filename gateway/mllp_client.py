"""One MLLP connection to another system: a message out, its acknowledgement in, one at a time.

The rules:

* One message is in flight on a connection (HL7 v2 section 2.8). Whoever calls decides what an answer
  means, whether it belongs to the message, and when to try again.
* A connection that failed, timed out or was left in the middle of an exchange is closed at once: a late
  answer to one message must never be taken for the answer to the next.
"""

import asyncio
import ssl
from types import TracebackType
from typing import Self
from urllib.parse import urlsplit

from gateway.adapters.mllp import NEED_DATA, Frame, FrameReader, frame
from gateway.errors import Lost, SenderFault, Unreachable, UsageFault

DEFAULT_PORT = 2575
READ_SIZE = 65536
ANSWER_LIMIT = 1024 * 1024  # an acknowledgement with every error the standard has is far smaller
TLS_GOODBYE = 2.0  # seconds a peer gets to close TLS in good order


class MllpClient:
    """A connection to an `mllp://` or `mllps://` address, used as an async context.

    `timeout` is in seconds and holds for connecting and for each exchange. `tls` is used with `mllps://`
    only; without it the system's trusted issuers decide. Raises `UsageFault` for any other address.
    """

    def __init__(self, address: str, *, timeout: float = 30.0, tls: ssl.SSLContext | None = None) -> None:
        self.host, self.port, is_secure = read_address(address)
        self.timeout = timeout
        self._tls = (tls or ssl.create_default_context()) if is_secure else None
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._frames = FrameReader()

    async def __aenter__(self) -> Self:
        await self.connect()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    @property
    def connected(self) -> bool:
        """Whether the connection is open, as far as this end knows: a peer that has hung up is seen here."""
        if self._streams is None:
            return False
        reader, writer = self._streams
        return not reader.at_eof() and not writer.is_closing()

    async def connect(self) -> None:
        """Open the connection, anew if there was one. Raises `Unreachable`."""
        await self.close()
        goodbye = TLS_GOODBYE if self._tls else None
        try:
            async with asyncio.timeout(self.timeout):
                self._streams = await asyncio.open_connection(
                    self.host, self.port, ssl=self._tls, ssl_shutdown_timeout=goodbye
                )
        except (OSError, UnicodeError) as error:
            raise Unreachable(f"{self.host}:{self.port}: {_why(error)}") from error
        self._frames = FrameReader(limit=ANSWER_LIMIT)

    async def send(self, message: bytes) -> bytes:
        """Send one message and give back the bytes of its answer.

        Raises `Lost` when none comes, with reason `not-connected`, `silence`, `disconnected` or `framing`;
        the connection is closed then. Raises `GatewayFault` for a message that holds framing bytes.
        """
        if self._streams is None:
            raise Lost("not connected", reason="not-connected", is_away=True)
        framed = frame(message)
        answered = False
        try:
            async with asyncio.timeout(self.timeout):
                answer = await self._exchange(framed, *self._streams)
            answered = True
        except TimeoutError as error:
            raise Lost("no answer in time", reason="silence", is_away=True) from error
        except OSError as error:
            raise Lost("the connection broke before the answer", reason="disconnected", is_away=True) from error
        except SenderFault as error:
            raise Lost("the answer is no MLLP frame", reason="framing", is_away=True) from error
        finally:
            if not answered:
                self._abort()
        return answer

    async def _exchange(self, framed: bytes, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bytes:
        # Nothing waits for the message to be gone: a peer that refuses an oversize one answers in the middle.
        writer.write(framed)
        while True:
            event = self._frames.next_event()
            if isinstance(event, Frame):
                return event.payload
            if event is NEED_DATA:
                data = await reader.read(READ_SIZE)
                if not data:
                    raise ConnectionResetError("closed before the answer")
                self._frames.receive(data)

    async def close(self) -> None:
        """Close the connection in good order; safe to call twice."""
        streams, self._streams = self._streams, None
        if streams is None:
            return
        writer = streams[1]
        writer.close()
        try:
            async with asyncio.timeout(TLS_GOODBYE):
                await writer.wait_closed()
        except OSError:
            writer.transport.abort()  # it was broken, or the peer does not answer: nothing is left to save

    def _abort(self) -> None:
        """Drop the connection without waiting for anything."""
        if self._streams is not None:
            self._streams[1].transport.abort()
            self._streams = None


def read_address(address: str) -> tuple[str, int, bool]:
    """Give back host, port and whether TLS is asked for. Raises `UsageFault` for what is no MLLP address."""
    try:
        parts = urlsplit(address)
        port = DEFAULT_PORT if parts.port is None else parts.port
    except ValueError as error:
        raise UsageFault("not an address: write mllp://host:port") from error
    if parts.scheme not in {"mllp", "mllps"} or not parts.hostname or parts.path.strip("/") or parts.query:
        raise UsageFault("not an MLLP address: write mllp://host:port or mllps://host:port")
    return parts.hostname, port, parts.scheme == "mllps"


def _why(error: Exception) -> str:
    """The reason in words; the system's own sentences differ between platforms."""
    if isinstance(error, TimeoutError):
        return "no connection in time: is a firewall between?"
    if isinstance(error, ssl.SSLCertVerificationError):
        return "its certificate is not trusted: give the issuer's certificate"
    if isinstance(error, ssl.SSLError):
        return "no TLS connection: does it speak TLS on this port, and want a client certificate?"
    if isinstance(error, ConnectionRefusedError):
        return "connection refused: is it running, on this port?"
    return f"no connection ({type(error).__name__}): check host and port"
