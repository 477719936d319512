"""The MLLP door against clients that behave and clients that do not, on real sockets.

Outside: the MLLP transport specification, release 1 (`0x0B` message `0x1C 0x0D`), HL7 v2 section 2.8 (one answer
for each message, in order). That a door outlives whatever is sent to it, and for how long it waits, is the contract's.
"""

import asyncio
import socket
import ssl
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from hl7.client import MLLPClient

from gateway.adapters.er7 import Position, read
from gateway.doors import mllp
from gateway.doors.mllp import HEAD, MllpDoor
from gateway.errors import SenderFault
from gateway.settings import Settings
from gateway.store import quarantine
from tests.receivers import acknowledgement, field, make_certificate, server_tls
from tests.working import House

MESSAGE = b"MSH|^~\\&|AHREG|AHMC|GATE|YARROWFEN|20260314||ADT^A04^ADT_A01|M1|P|2.5.1\rPID|1||77^^^AHMC^MR\r"
Take = Callable[[bytes], Awaitable[bytes]]


def numbered(number: int) -> bytes:
    return MESSAGE.replace(b"|M1|", b"|M%d|" % number)


def framed(message: bytes = MESSAGE) -> bytes:
    return b"\x0b" + message + b"\x1c\r"


def answer_to(message: bytes) -> bytes:
    """What the taking side of these tests says: an acknowledgement without its frame."""
    return acknowledgement(message)[1:-2]


class Desk:
    """Takes every message, and remembers it."""

    def __init__(self) -> None:
        self.taken: list[bytes] = []
        self.refused: list[tuple[bytes, str]] = []

    async def take(self, message: bytes) -> bytes:
        self.taken.append(message)
        return answer_to(message) if message else b""

    async def refuse(self, head: bytes, fault: SenderFault) -> bytes:
        self.refused.append((head, fault.code))
        return acknowledgement(head, b"AR")[1:-2]


@asynccontextmanager
async def door(
    desk: Desk | None = None, *, take: Take | None = None, tls: ssl.SSLContext | None = None, **settings: float
) -> AsyncIterator[MllpDoor]:
    desk = desk or Desk()
    opened = MllpDoor(take=take or desk.take, refuse=desk.refuse, settings=Settings.model_validate(settings))
    await opened.open("127.0.0.1", 0, tls=tls)
    try:
        yield opened
    finally:
        await opened.close(grace=2)


def port_of(opened: MllpDoor) -> int:
    return int(opened.address.rpartition(":")[2])


class Caller:
    """A hospital's end: sends bytes as it likes, and reads answers."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def send(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def answer(self) -> bytes:
        """The control id of the next answer."""
        return self.control_id(await asyncio.wait_for(self.reader.readuntil(b"\x1c\r"), 10))

    @staticmethod
    def control_id(answer: bytes) -> bytes:
        return answer.split(b"MSA|")[1].split(b"|")[1].rstrip(b"\r\x1c")

    async def ended(self) -> bool:
        """Whether the door hangs up, with nothing more to say."""
        try:
            return await asyncio.wait_for(self.reader.read(), 10) == b""
        except ConnectionError:
            return True


@asynccontextmanager
async def calling(opened: MllpDoor, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[Caller]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port_of(opened), ssl=tls, limit=1 << 24)
    try:
        yield Caller(reader, writer)
    finally:
        writer.close()


# ── those who behave ───────────────────────────────────────────────────────────────────────────────


def test_a_foreign_client_is_answered() -> None:
    """Outside check: the client of the `hl7` package, which writes and reads frames itself."""

    def send(port: int) -> bytes:
        with MLLPClient("127.0.0.1", port) as client:
            answer: bytes = client.send_message(MESSAGE)
        return answer

    async def run() -> None:
        async with door() as opened:
            assert await asyncio.to_thread(send, port_of(opened)) == acknowledgement(MESSAGE)

    asyncio.run(run())


def test_two_messages_in_one_write_are_answered_in_order() -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"".join(framed(numbered(n)) for n in range(20)))
            assert [await caller.answer() for _ in range(20)] == [b"M%d" % n for n in range(20)]
        assert desk.taken == [numbered(n) for n in range(20)]

    asyncio.run(run())


def test_a_message_may_come_byte_by_byte() -> None:
    async def run() -> None:
        async with door() as opened, calling(opened) as caller:
            for position in range(len(framed())):
                await caller.send(framed()[position : position + 1])
            assert await caller.answer() == b"M1"

    asyncio.run(run())


def test_who_wants_no_answer_gets_none() -> None:
    async def run() -> None:
        answers = iter([b"", answer_to(numbered(2))])

        async def take(message: bytes) -> bytes:
            return next(answers)

        async with door(take=take) as opened, calling(opened) as caller:
            await caller.send(framed(numbered(1)) + framed(numbered(2)))
            assert await caller.answer() == b"M2"

    asyncio.run(run())


def test_connections_are_served_side_by_side() -> None:
    """One sender's slow message keeps nobody else waiting."""

    async def run() -> None:
        slow = asyncio.Event()

        async def take(message: bytes) -> bytes:
            if field(message, 10) == b"M1":
                await slow.wait()
            return answer_to(message)

        async with door(take=take) as opened, calling(opened) as first, calling(opened) as second:
            await first.send(framed(numbered(1)))
            await second.send(framed(numbered(2)))
            assert await second.answer() == b"M2"
            slow.set()
            assert await first.answer() == b"M1"

    asyncio.run(run())


def test_messages_come_over_tls(tmp_path: Path) -> None:
    certificate = make_certificate(tmp_path)
    trusting = ssl.create_default_context(cafile=str(certificate))

    async def run() -> None:
        async with door(tls=server_tls(certificate), mllp_frame_bytes=2048) as opened:
            async with calling(opened, tls=trusting) as caller:
                await caller.send(framed())
                assert await caller.answer() == b"M1"
                await caller.send(framed(MESSAGE + b"x" * 4096))
                assert await caller.answer() == b"M1", "an oversize one is refused there too"
            with pytest.raises(ssl.SSLError):
                async with calling(opened, tls=ssl.create_default_context()):
                    pass
            async with calling(opened, tls=trusting) as caller:
                await caller.send(framed())
                assert await caller.answer() == b"M1"

    asyncio.run(run())


# ── abuse ──────────────────────────────────────────────────────────────────────────────────────────


def test_garbage_between_frames_is_skipped() -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"hello?\r\n" + framed(numbered(1)) + b"\r\n\0\0 \x1c\r" + framed(numbered(2)))
            assert [await caller.answer(), await caller.answer()] == [b"M1", b"M2"]
        assert desk.taken == [numbered(1), numbered(2)]

    asyncio.run(run())


@pytest.mark.parametrize("junk", [b"GET / HTTP/1.1\r\n\r\n", bytes(range(12, 256)), b"\x1c\r"])
def test_who_sends_nothing_but_garbage_is_hung_up_on(junk: bytes) -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            caller.writer.write(junk * (200_000 // len(junk)))
            assert await caller.ended()
        assert desk.taken == []

    asyncio.run(run())


def test_a_frame_that_begins_anew_is_the_new_one() -> None:
    """A sender that timed out begins again (common practice, no source)."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"\x0b" + numbered(1)[:40] + framed(numbered(2)))
            assert await caller.answer() == b"M2"
        assert desk.taken == [numbered(2)]

    asyncio.run(run())


def test_thousands_of_empty_frames_harm_nobody() -> None:
    async def run() -> None:
        async with door() as opened, calling(opened) as caller, calling(opened) as other:
            caller.writer.write(b"\x0b\x1c\r" * 5000 + framed(numbered(1)))
            await other.send(framed(numbered(2)))
            assert await other.answer() == b"M2"
            assert await caller.answer() == b"M1"

    asyncio.run(run())


@pytest.mark.parametrize(
    "sent", [b"", b"\x0b", b"\x0bMSH|^~", framed()[:-2]], ids=["nothing", "start", "half", "no end"]
)
def test_a_reset_in_the_middle_takes_nothing_and_harms_nobody(sent: bytes) -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened:
            for _ in range(5):
                with socket.create_connection(("127.0.0.1", port_of(opened))) as plain:
                    plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    plain.sendall(sent)
            async with calling(opened) as caller:
                await caller.send(framed())
                assert await caller.answer() == b"M1"
        assert desk.taken == [MESSAGE]

    asyncio.run(run())


def test_who_hangs_up_before_the_answer_has_been_heard_all_the_same() -> None:
    async def run() -> None:
        taken, go_on, done = asyncio.Event(), asyncio.Event(), asyncio.Event()

        async def take(message: bytes) -> bytes:
            taken.set()
            await go_on.wait()
            done.set()
            return answer_to(message)

        async with door(take=take) as opened:
            async with calling(opened) as caller:
                await caller.send(framed())
                await taken.wait()
            go_on.set()
            await asyncio.wait_for(done.wait(), 10)

    asyncio.run(run())


@pytest.mark.parametrize("size", [3000, 60_000, 4_000_000])
def test_an_oversize_frame_is_refused_and_its_sender_hears_why(size: int) -> None:
    """HL7 v2 2.8.2: AR. The sender may still be writing: it must be able to read the answer (RFC 9112, 9.6)."""

    async def run() -> None:
        desk = Desk()
        async with door(desk, mllp_frame_bytes=2048) as opened:
            async with calling(opened) as caller:
                caller.writer.write(framed(MESSAGE + b"x" * size))
                assert await caller.answer() == b"M1"
                assert await caller.ended()
            ((head, code),) = desk.refused
            assert (head[: len(MESSAGE)], code) == (MESSAGE, "frame-too-large")
            assert len(head) <= HEAD
            async with calling(opened) as caller:
                await caller.send(framed(numbered(2)))
                assert await caller.answer() == b"M2"
        assert desk.taken == [numbered(2)]

    asyncio.run(run())


def test_a_frame_without_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mllp, "FAREWELL", 0.1)

    async def run() -> None:
        async with door(mllp_frame_bytes=2048) as opened, calling(opened) as caller:
            with pytest.raises(ConnectionError):
                await flood(caller)

    async def flood(caller: Caller) -> None:
        caller.writer.write(b"\x0b" + MESSAGE)
        while True:
            await caller.send(b"x" * 10_000)

    asyncio.run(run())


def test_an_oversize_frame_goes_to_quarantine_with_its_head(house: House) -> None:
    async def run() -> bytes:
        async def take(data: bytes) -> bytes:
            return await house.intake.admission(data, door="mllp")

        async def refuse(head: bytes, fault: SenderFault) -> bytes:
            return await house.intake.refuse(head, fault, door="mllp")

        opened = MllpDoor(take=take, refuse=refuse, settings=Settings(mllp_frame_bytes=2048))
        await opened.open("127.0.0.1", 0)
        async with calling(opened) as caller:
            caller.writer.write(framed(MESSAGE + b"x" * 4096))
            framed_answer = await caller.reader.readuntil(b"\x1c\r")
        await opened.close()
        return framed_answer[1:-2]

    answer = read(asyncio.run(run()))
    said = [answer.value(Position.parse(place)) for place in ("MSA-1", "MSA-2", "ERR-3.1")]
    assert said == ["AR", "M1", "104"], "HL7 v2 table 0357: 104 is a value that is too long"
    (item,) = house.quarantined()
    assert (item.code, item.door) == ("frame-too-large", "mllp")
    assert house.raw(item.message).startswith(MESSAGE)
    assert house.database.read(lambda tx: quarantine.count_open(tx)) == 1


# ── limits ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("limit", ["connections_per_address", "connections_in_all"])
def test_more_connections_than_allowed_are_turned_away(limit: str) -> None:
    async def run() -> None:
        async with door(**{limit: 2}) as opened:
            async with calling(opened) as first, calling(opened) as second:
                for caller in (first, second):
                    await caller.send(framed())
                    assert await caller.answer() == b"M1"
                async with calling(opened) as third:
                    assert await third.ended()
                await first.send(framed(numbered(2)))
                assert await first.answer() == b"M2", "those who are in stay in"
            await _until_served(opened)

    asyncio.run(run())


async def _until_served(opened: MllpDoor) -> None:
    """Try until the door has seen that the others are gone."""
    async with asyncio.timeout(10):
        while True:
            async with calling(opened) as caller:
                await caller.send(framed())
                if await caller.reader.read(1):
                    return


def test_a_connection_that_says_nothing_is_closed() -> None:
    async def run() -> None:
        async with door(idle_seconds=0.1) as opened, calling(opened) as caller:
            assert await caller.ended()

    asyncio.run(run())


@pytest.mark.parametrize("piece", [b"", b"x"], ids=["silent", "dripping"])
def test_half_a_frame_has_one_limit_however_it_drips(piece: bytes) -> None:
    """The contract's: half a frame 30 s. Who sends a byte now and then does not stay for ever."""

    async def run() -> None:
        async with door(half_frame_seconds=0.2) as opened, calling(opened) as caller:
            await caller.send(b"\x0bMSH|")
            ended = asyncio.create_task(caller.ended())
            async with asyncio.timeout(5):
                while not ended.done():
                    caller.writer.write(piece)
                    await asyncio.wait([ended], timeout=0.05)
            assert ended.result()

    asyncio.run(run())


def test_frames_that_overlap_the_reads_are_not_half_frames() -> None:
    """A busy sender's bytes always end in the middle of a frame; each frame has a limit of its own."""

    async def run() -> None:
        frames = [framed(numbered(n)) for n in range(10, 30)]
        stream, size, half = b"".join(frames), len(frames[0]), len(frames[0]) // 2
        async with door(half_frame_seconds=0.8) as opened, calling(opened) as caller:
            answers = asyncio.create_task(caller.reader.readuntil(b"MSA|AA|M29\r\x1c\r"))
            for cut in range(0, len(stream), size):
                await caller.send(stream[max(cut - size + half, 0) : cut + half])
                await asyncio.wait([answers], timeout=0.05)
                assert not answers.done()
            await caller.send(stream[len(stream) - size + half :])
            assert (await asyncio.wait_for(answers, 10)).count(b"MSA|AA|") == len(frames)

    asyncio.run(run())


def test_who_reads_no_answers_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mllp, "FAREWELL", 0.05)

    async def run() -> None:
        async def take(message: bytes) -> bytes:
            return b"x" * 1_000_000

        async with door(take=take, idle_seconds=0.1, connections_in_all=1) as opened:
            with socket.create_connection(("127.0.0.1", port_of(opened))) as deaf:
                deaf.setblocking(False)
                deaf.send(framed() * 100)
                async with asyncio.timeout(10):
                    while not await _is_let_in(opened):
                        continue

    asyncio.run(run())


async def _is_let_in(opened: MllpDoor) -> bool:
    async with calling(opened) as caller:
        await caller.send(framed())
        try:
            return bool(await caller.reader.read(1))
        except ConnectionError:
            return False


# ── stopping ───────────────────────────────────────────────────────────────────────────────────────


def test_stopping_finishes_the_open_message_and_takes_no_more() -> None:
    async def run() -> None:
        taken, go_on = asyncio.Event(), asyncio.Event()
        heard: list[bytes] = []

        async def take(message: bytes) -> bytes:
            heard.append(message)
            taken.set()
            await go_on.wait()
            return answer_to(message)

        async with door(take=take) as opened, calling(opened) as busy, calling(opened) as idle:
            await busy.send(framed(numbered(1)) + framed(numbered(2)))
            await taken.wait()
            port = port_of(opened)
            closing = asyncio.create_task(opened.close(grace=5))
            assert await idle.ended()
            with pytest.raises(OSError, match=r".*"):
                await asyncio.open_connection("127.0.0.1", port)
            assert not closing.done()
            go_on.set()
            assert await busy.answer() == b"M1"
            assert await busy.ended(), "the second one was not answered: its sender will send it again"
            await asyncio.wait_for(closing, 10)
        assert heard == [numbered(1)]

    asyncio.run(run())


def test_stopping_does_not_wait_for_ever() -> None:
    async def run() -> None:
        taken = asyncio.Event()

        async def take(message: bytes) -> bytes:
            taken.set()
            await asyncio.Event().wait()
            return b""

        async with door(take=take) as opened, calling(opened) as caller:
            await caller.send(framed())
            await taken.wait()
            await asyncio.wait_for(opened.close(grace=0.05), 5)
            assert await caller.ended()

    asyncio.run(run())


def test_nothing_of_a_message_stands_in_the_log(capsys: pytest.CaptureFixture[str]) -> None:
    async def run() -> None:
        async with door(mllp_frame_bytes=2048, connections_per_address=1) as opened, calling(opened) as caller:
            await caller.send(framed() + framed(MESSAGE + b"Quillfeather" * 400))
            await caller.answer()
            async with calling(opened) as turned_away:
                await turned_away.ended()

    asyncio.run(run())
    written = "".join(capsys.readouterr())
    assert "Quillfeather" not in written
    assert "AHREG" not in written
