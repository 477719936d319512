"""Other ends for tests, on real sockets: an MLLP receiver, an HTTP receiver, and a certificate for them.

They know nothing of the gateway: framing and acknowledgements are written out here by hand, from the
transport specification (`0x0B` message `0x1C 0x0D`) and HL7 v2 section 2.8.
"""

import asyncio
import datetime
import ipaddress
import ssl
import sys
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

#: From one message and its number on this receiver (from 1) to the bytes to write back; None hangs up.
Reply = Callable[[bytes, int], bytes | None]


def field(message: bytes, number: int) -> bytes:
    """One field of MSH, cut by hand: MSH-1 is the separator, so index and number differ by one."""
    fields = message.split(b"\r")[0].split(b"|")
    return fields[number - 1] if number <= len(fields) else b""


def acknowledgement(message: bytes, code: bytes = b"AA", *, control_id: bytes | None = None) -> bytes:
    """An answer in its frame (HL7 v2 section 2.8: MSA-1 the code, MSA-2 the control id that is answered)."""
    answered = field(message, 10) if control_id is None else control_id
    text = b"MSH|^~\\&|FAR|END|||20260314120000||ACK|1|P|2.5.1\rMSA|" + code + b"|" + answered + b"\r"
    return b"\x0b" + text + b"\x1c\r"


class MllpReceiver:
    """What came in, connection by connection and in all."""

    def __init__(self, reply: Reply) -> None:
        self.reply = reply
        self.messages: list[bytes] = []
        self.connections: list[list[bytes]] = []
        self.arrived: Callable[[bytes], Awaitable[None]] | None = None
        self.address = ""
        self._open: set[asyncio.StreamWriter] = set()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        mine: list[bytes] = []
        self.connections.append(mine)
        self._open.add(writer)
        try:
            while message := await self._next(reader):
                mine.append(message)
                self.messages.append(message)
                number = len(self.messages)
                if self.arrived:
                    await self.arrived(message)
                answer = self.reply(message, number)
                if answer is None:
                    break
                writer.write(answer)
                await writer.drain()
        except ConnectionError:
            return  # the client hung up, which some tests do
        finally:
            self._open.discard(writer)
            writer.close()

    async def _next(self, reader: asyncio.StreamReader) -> bytes:
        try:
            framed = await reader.readuntil(b"\x1c\r")
        except asyncio.IncompleteReadError:
            return b""
        assert framed[:1] == b"\x0b"
        return framed[1:-2]

    def hang_up(self) -> None:
        for writer in self._open:
            writer.close()


@asynccontextmanager
async def mllp_receiver(
    reply: Reply = lambda message, _: acknowledgement(message), *, tls: ssl.SSLContext | None = None, port: int = 0
) -> AsyncIterator[MllpReceiver]:
    """A listening receiver, on a free port unless told which."""
    receiver = MllpReceiver(reply)
    server = await asyncio.start_server(receiver.serve, "127.0.0.1", port, ssl=tls, limit=1 << 24)
    port = server.sockets[0].getsockname()[1]
    receiver.address = f"{'mllps' if tls else 'mllp'}://127.0.0.1:{port}"
    try:
        yield receiver
    finally:
        server.close()
        receiver.hang_up()
        await server.wait_closed()


@contextmanager
def threaded_mllp_receiver(
    reply: Reply = lambda message, _: acknowledgement(message), *, port: int = 0
) -> Iterator[MllpReceiver]:
    """The same in a thread of its own, for commands that bring their own event loop."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    def run(step: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(step, loop).result(10)

    async def settle() -> None:
        others = asyncio.all_tasks() - {asyncio.current_task()}
        await asyncio.gather(*others)

    context = mllp_receiver(reply, port=port)
    try:
        yield run(context.__aenter__())
    finally:
        run(context.__aexit__(None, None, None))
        run(settle())
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


class HttpReceiver:
    """What was posted: path, headers in lower case, body."""

    def __init__(self) -> None:
        self.requests: list[tuple[str, dict[str, str], bytes]] = []
        self.answers: list[tuple[int, str, bytes]] = []
        self.address = ""


class _HttpServer(ThreadingHTTPServer):
    def handle_error(self, request: Any, client_address: Any) -> None:
        """A sender that hangs up, or is killed, is no fault of this end."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


@contextmanager
def http_receiver(
    answer: Callable[[bytes], tuple[int, str, bytes]] = lambda _: (200, "text/plain", b""),
    *,
    tls: ssl.SSLContext | None = None,
) -> Iterator[HttpReceiver]:
    """A listening HTTP receiver; `answer` gives status, content type and body for a posted body."""
    receiver = HttpReceiver()

    class Answering(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            size = int(self.headers["Content-Length"])
            body = self.rfile.read(size)
            if len(body) < size:  # the sender has gone in the middle: nothing came
                self.close_connection = True
                return
            receiver.requests.append((self.path, {k.lower(): v for k, v in self.headers.items()}, body))
            status, kind, content = answer(body)
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *arguments: object) -> None:
            """Say nothing."""

    server = _HttpServer(("127.0.0.1", 0), Answering)
    if tls:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    receiver.address = f"{'https' if tls else 'http'}://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def make_certificate(folder: Path) -> Path:
    """A self-signed certificate for 127.0.0.1 with its key, in one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "127.0.0.1")])
    start = datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(start)
        .not_valid_after(start + datetime.timedelta(days=365 * 60))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    path = folder / "end.pem"
    path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        + certificate.public_bytes(serialization.Encoding.PEM)
    )
    return path


def server_tls(certificate: Path, *, clients: Path | None = None) -> ssl.SSLContext:
    """TLS for a receiver; with `clients` it wants a client certificate of that issuer."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    if clients:
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(clients)
    return context
