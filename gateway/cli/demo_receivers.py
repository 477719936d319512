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
from gateway.adapters.acknowledgements import Code, acknowledge, header_of, salvage_header
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


@contextlib.asynccontextmanager
async def mllp_receiver(name: str, received: Received) -> AsyncIterator[str]:
    """A hospital's HL7 v2 end: takes every message with AA; gives the address it listens on."""

    async def take(data: bytes) -> bytes:
        message = er7.read(data)
        received.messages[name].append(message)
        return acknowledge(
            header_of(message),
            Code.AA,
            control_id=secrets.token_hex(8),
            time=datetime.now(UTC),
            sending=("DEMO", name),
        )

    async def refuse(head: bytes, fault: SenderFault) -> bytes:
        del fault
        return acknowledge(
            salvage_header(head),
            Code.AR,
            control_id=secrets.token_hex(8),
            time=datetime.now(UTC),
            sending=("DEMO", name),
        )

    door = await MllpDoor(take=take, refuse=refuse, settings=Settings(), name=name).open("127.0.0.1", 0)
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
