"""The subscribers of the demonstration: small real receivers that take what the gateway sends and keep it."""

import asyncio
import contextlib
import secrets
from collections import defaultdict
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import orjson

from gateway.adapters import er7
from gateway.adapters.acknowledgements import Code, Header, acknowledge, header_of, salvage_header
from gateway.doors.mllp import MllpDoor
from gateway.errors import SenderFault
from gateway.settings import Settings

HEAD_END = b"\r\n\r\n"


@dataclass(slots=True)
class Received:
    """What came to each receiver, in order: by subscription name, bundles as JSON and messages as read."""

    bundles: defaultdict[str, list[dict[str, Any]]] = field(default_factory=lambda: defaultdict(list))
    messages: defaultdict[str, list[er7.Message]] = field(default_factory=lambda: defaultdict(list))

    def count(self) -> int:
        """How many notifications came, repeats left out: a repeat has the id of the first."""
        bundles = {bundle["id"] for some in self.bundles.values() for bundle in some}
        ids = {str(message.header.value(10)) for some in self.messages.values() for message in some}
        return len(bundles) + len(ids)


@dataclass(frozen=True, slots=True)
class HospitalDesk:
    """Takes every message with AA, and remembers it."""

    name: str
    received: Received

    async def take(self, message: bytes) -> tuple[bytes]:
        """Remember one message and give back its acknowledgement."""
        read = er7.read(message)
        self.received.messages[self.name].append(read)
        return (self._answer(header_of(read), Code.AA),)

    async def refuse(self, head: bytes, fault: SenderFault) -> tuple[bytes]:
        """Refuse what cannot be read whole."""
        del fault
        return (self._answer(salvage_header(head), Code.AR),)

    def _answer(self, header: Header, code: Code) -> bytes:
        now = datetime.now(UTC)
        return acknowledge(header, code, control_id=secrets.token_hex(8), time=now, sending=("DEMO", self.name))


@contextlib.asynccontextmanager
async def mllp_receiver(name: str, received: Received) -> AsyncIterator[str]:
    """A hospital's HL7 v2 end: takes every message with AA; gives the address it listens on."""
    desk = HospitalDesk(name, received)
    door = await MllpDoor(receive=lambda _: desk, settings=Settings(), name=name).open("127.0.0.1", 0)
    try:
        yield door.address
    finally:
        await door.close(grace=1)


@contextlib.asynccontextmanager
async def fhir_receiver(name: str, received: Received) -> AsyncIterator[str]:
    """A facility's FHIR rest-hook end: takes every bundle with 200; gives the address it listens on."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):  # the gateway closed its connection
            while True:
                head = await reader.readuntil(HEAD_END)
                body = await reader.readexactly(_length(head))
                received.bundles[name].append(orjson.loads(body))
                writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")
                await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/{name}"
    finally:
        server.close()


def _length(head: bytes) -> int:
    for line in head.split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-length":
            return int(value)
    return 0
