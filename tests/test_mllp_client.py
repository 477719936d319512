"""The MLLP client against real sockets: a receiver written by hand, and the one of the `hl7` package.

Framing is checked against the transport specification (`0x0B` message `0x1C 0x0D`); what a sender does
when the answer stays out is common practice, no source.
"""

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path

import hl7
import hl7.mllp
import pytest

from gateway.errors import GatewayFault, Lost, Unreachable, UsageFault
from gateway.mllp_client import MllpClient, read_address
from tests.receivers import acknowledgement, field, make_certificate, mllp_receiver, server_tls

MESSAGE = b"MSH|^~\\&|A|B|C|D|20260314||ADT^A04^ADT_A01|M1|P|2.5.1\rPID|1||77^^^AHMC^MR\r"


def other(number: int) -> bytes:
    return MESSAGE.replace(b"|M1|", b"|M%d|" % number)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_a_message_goes_out_whole_and_its_answer_comes_back() -> None:
    async def run() -> None:
        async with mllp_receiver() as receiver, MllpClient(receiver.address) as client:
            answers = [await client.send(other(number)) for number in range(1, 4)]
            assert receiver.messages == [other(1), other(2), other(3)]
            assert len(receiver.connections) == 1
            assert [answer.split(b"MSA|AA|")[1] for answer in answers] == [b"M1\r", b"M2\r", b"M3\r"]

    asyncio.run(run())


def test_a_foreign_receiver_understands_it() -> None:
    """Outside check: the server of the `hl7` package parses what came and writes the acknowledgement."""

    async def answer(reader: hl7.mllp.HL7StreamReader, writer: hl7.mllp.HL7StreamWriter) -> None:
        message = await reader.readmessage()
        writer.writemessage(message.create_ack("AA"))
        await writer.drain()
        writer.close()

    async def run() -> None:
        server = await hl7.mllp.start_hl7_server(answer, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with MllpClient(f"mllp://127.0.0.1:{port}") as client:
            parsed = hl7.parse((await client.send(MESSAGE)).decode())
        assert (str(parsed.segment("MSA")[1]), str(parsed.segment("MSA")[2])) == ("AA", "M1")
        server.close()
        await server.wait_closed()

    asyncio.run(run())


def test_a_large_message_and_an_answer_in_single_bytes() -> None:
    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        framed = await reader.readuntil(b"\x1c\r")
        for byte in acknowledgement(framed[1:-2]):
            writer.write(bytes([byte]))
            await writer.drain()
        writer.close()

    async def run() -> None:
        async with listening(drip) as address, MllpClient(address) as client:
            large = MESSAGE + b"OBX|1|ED|||" + b"A" * 3_000_000 + b"\r"
            assert (await client.send(large)).endswith(b"MSA|AA|M1\r")

    asyncio.run(run())


class listening:  # noqa: N801 - reads as an act
    """A bare TCP server with one callback, for ends that misbehave."""

    def __init__(self, serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]) -> None:
        self.serve = serve

    async def __aenter__(self) -> str:
        self.server = await asyncio.start_server(self.serve, "127.0.0.1", 0, limit=1 << 24)
        return f"mllp://127.0.0.1:{self.server.sockets[0].getsockname()[1]}"

    async def __aexit__(self, *_: object) -> None:
        self.server.close()
        await self.server.wait_closed()


def test_nobody_there() -> None:
    async def run() -> None:
        with pytest.raises(Unreachable, match=r"^127\.0\.0\.1:\d+: connection refused"):
            await MllpClient(f"mllp://127.0.0.1:{free_port()}").connect()

    asyncio.run(run())


def test_a_host_that_no_name_server_could_know() -> None:
    async def run() -> None:
        with pytest.raises(Unreachable, match="check host and port"):
            await MllpClient(f"mllp://{'x' * 70}.invalid:2575").connect()  # a label is at most 63 long (RFC 1035)

    asyncio.run(run())


def test_silence_is_lost_and_closes_the_connection() -> None:
    async def run() -> None:
        async with mllp_receiver(lambda *_: b"") as receiver:
            client = MllpClient(receiver.address, timeout=0.05)
            await client.connect()
            with pytest.raises(Lost) as caught:
                await client.send(MESSAGE)
            assert caught.value.reason == "silence"
            assert not client.connected
            with pytest.raises(Lost) as again:
                await client.send(MESSAGE)
            assert again.value.reason == "not-connected"

    asyncio.run(run())


def test_a_late_answer_is_not_taken_for_the_next() -> None:
    """A sender that times out closes, reopens and resends (common practice, no source)."""

    async def run() -> None:
        replies = {1: b""}
        async with mllp_receiver(lambda message, n: replies.get(n, acknowledgement(message))) as receiver:
            client = MllpClient(receiver.address, timeout=0.05)
            await client.connect()
            with pytest.raises(Lost):
                await client.send(other(1))
            client.timeout = 5
            await client.connect()
            assert (await client.send(other(2))).endswith(b"MSA|AA|M2\r")
            assert len(receiver.connections) == 2
            await client.close()

    asyncio.run(run())


def test_an_exchange_that_is_cancelled_closes_the_connection() -> None:
    async def run() -> None:
        arrived = asyncio.Event()
        async with mllp_receiver(lambda *_: b"") as receiver:

            async def tell(_: bytes) -> None:
                arrived.set()

            receiver.arrived = tell
            client = MllpClient(receiver.address)
            await client.connect()
            sending = asyncio.create_task(client.send(MESSAGE))
            await arrived.wait()
            sending.cancel()
            with pytest.raises(asyncio.CancelledError):
                await sending
            assert not client.connected

    asyncio.run(run())


@pytest.mark.parametrize(
    ("reply", "reason"),
    [
        (None, "disconnected"),
        (b"HTTP/1.1 400 Bad Request\r\n" * 4000, "framing"),  # more than 64 KiB outside any frame
        (b"\x0b" + b"A" * (1024 * 1024 + 1), "framing"),  # an answer of more than 1 MiB
    ],
)
def test_no_answer_that_can_be_used(reply: bytes | None, reason: str) -> None:
    async def run() -> None:
        async with mllp_receiver(lambda *_: reply) as receiver, MllpClient(receiver.address) as client:
            with pytest.raises(Lost) as caught:
                await client.send(MESSAGE)
            assert caught.value.reason == reason
            assert not client.connected

    asyncio.run(run())


def test_noise_before_the_answer_is_passed_over() -> None:
    async def run() -> None:
        noisy = mllp_receiver(lambda message, _: b"\r\n\r\n" + acknowledgement(message))
        async with noisy as receiver, MllpClient(receiver.address) as client:
            assert b"MSA|AA|M1" in await client.send(MESSAGE)

    asyncio.run(run())


def test_a_peer_that_hangs_up_after_each_answer_is_noticed() -> None:
    """Some peers open a connection for each message (common practice, no source)."""

    async def once(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        framed = await reader.readuntil(b"\x1c\r")
        writer.write(acknowledgement(framed[1:-2]))
        writer.close()
        closed.set()

    async def run() -> None:
        async with listening(once) as address:
            client = MllpClient(address)
            for number in range(1, 4):
                closed.clear()
                await client.connect()
                assert (await client.send(other(number))).endswith(b"M%d\r" % number)
                await closed.wait()
                async with asyncio.timeout(5):
                    while client.connected:
                        await asyncio.sleep(0)
            await client.close()

    closed = asyncio.Event()
    asyncio.run(run())


def test_an_answer_sent_before_the_whole_message_was_read() -> None:
    """A receiver with a limit answers AR in the middle of an oversize frame (common practice, no source)."""

    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r")
        writer.write(acknowledgement(head[1:], b"AR"))
        await writer.drain()
        await done.wait()
        writer.close()

    async def run() -> None:
        async with listening(refuse) as address, MllpClient(address) as client:
            assert b"MSA|AR|M1" in await client.send(MESSAGE + b"NTE|1||" + b"A" * 20_000_000)
            done.set()

    done = asyncio.Event()
    asyncio.run(run())


def test_framing_bytes_inside_a_message_are_our_own_fault() -> None:
    async def run() -> None:
        async with mllp_receiver() as receiver, MllpClient(receiver.address) as client:
            with pytest.raises(GatewayFault):
                await client.send(MESSAGE + b"\x1c\r")
            assert (await client.send(MESSAGE)) != b""  # and the connection is as good as before
            assert receiver.messages == [MESSAGE]

    asyncio.run(run())


def test_closing_twice_and_connecting_again() -> None:
    async def run() -> None:
        async with mllp_receiver() as receiver:
            client = MllpClient(receiver.address)
            await client.close()
            await client.connect()
            await client.connect()
            assert field(await client.send(MESSAGE), 9) == b"ACK"
            await client.close()
            await client.close()
            assert not client.connected

    asyncio.run(run())


def test_tls_with_client_certificates(tmp_path: Path) -> None:
    """MLLP over TLS with certificates on both sides is the usual secured form (common practice, no source)."""
    certificate = make_certificate(tmp_path)
    trusting = ssl.create_default_context(cafile=certificate)
    trusting.load_cert_chain(certificate)

    async def run() -> None:
        async with mllp_receiver(tls=server_tls(certificate, clients=certificate)) as receiver:
            async with MllpClient(receiver.address, tls=trusting) as client:
                assert b"MSA|AA|M1" in await client.send(MESSAGE)
            with pytest.raises(Unreachable, match="certificate is not trusted"):
                await MllpClient(receiver.address).connect()

    asyncio.run(run())


def test_tls_to_an_end_that_has_none(tmp_path: Path) -> None:
    async def rude(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(10)
        writer.write(acknowledgement(MESSAGE))
        writer.close()

    async def run() -> None:
        async with listening(rude) as address:
            with pytest.raises(Unreachable, match="no TLS connection"):
                await MllpClient(address.replace("mllp:", "mllps:")).connect()

    asyncio.run(run())


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("mllp://127.0.0.1", ("127.0.0.1", 2575, False)),  # the port assigned to MLLP (IANA service registry)
        ("mllp://receiver.invalid:6000/", ("receiver.invalid", 6000, False)),
        ("mllps://[::1]:2576", ("::1", 2576, True)),
    ],
)
def test_addresses(address: str, expected: tuple[str, int, bool]) -> None:
    assert read_address(address) == expected


@pytest.mark.parametrize(
    "address",
    [
        "",
        "127.0.0.1:2575",
        "http://127.0.0.1",
        "mllp://",
        "mllp://host:99999",
        "mllp://host:x",
        "mllp://[::1",
        "mllp://h/path",
    ],
)
def test_what_is_no_address(address: str) -> None:
    with pytest.raises(UsageFault, match="mllp://host:port"):
        read_address(address)
