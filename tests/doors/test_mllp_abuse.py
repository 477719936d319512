"""The MLLP door against whatever is sent to it, on real sockets.

Outside: the MLLP transport specification, release 1. That a door outlives whatever is sent to it, and what it does with
bad framing, is common practice, no source.
"""

import asyncio
import socket

import pytest
from structlog.testing import capture_logs

from gateway.adapters.er7 import Position, read
from gateway.adapters.mllp import FrameEnd
from gateway.attribution import Caller as AttributedCaller
from gateway.doors import mllp_connection
from gateway.doors.admission_desk import AdmissionDesk
from gateway.doors.mllp import MllpDoor
from gateway.doors.mllp_connection import EMPTY_FRAMES, HEAD
from gateway.settings import Settings
from gateway.store import quarantine
from tests.doors.callers import (
    MESSAGE,
    Caller,
    Desk,
    answer_to,
    calling,
    door,
    framed,
    numbered,
    on_each_loop,
    port_of,
    reset,
    until_answered,
)
from tests.receivers import field
from tests.working import House

# ── abuse ──────────────────────────────────────────────────────────────────────────────────────────


def test_garbage_between_frames_is_skipped() -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"hello?\r\n" + framed(numbered(1)) + b"\r\n\0\0 \x1c\r" + framed(numbered(2)))
            assert [await caller.answer(), await caller.answer()] == [b"M1", b"M2"]
        assert desk.taken == [numbered(1), numbered(2)]

    on_each_loop(run)


@pytest.mark.parametrize("junk", [b"GET / HTTP/1.1\r\n\r\n", bytes(range(12, 256)), b"\x1c\r"])
def test_who_sends_nothing_but_garbage_is_hung_up_on(junk: bytes) -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            caller.writer.write(junk * (200_000 // len(junk)))
            assert await caller.ended()
        assert desk.taken == []

    on_each_loop(run)


def test_a_frame_that_begins_anew_is_the_new_one() -> None:
    """A sender that timed out begins again (common practice, no source)."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"\x0b" + numbered(1)[:40] + framed(numbered(2)))
            assert await caller.answer() == b"M2"
        assert desk.taken == [numbered(2)]

    on_each_loop(run)


def test_thousands_of_empty_frames_harm_nobody() -> None:
    async def run() -> None:
        async with door() as opened, calling(opened) as caller, calling(opened) as other:
            caller.writer.write(b"\x0b\x1c\r" * 5000 + framed(numbered(1)))
            await other.send(framed(numbered(2)))
            assert await other.answer() == b"M2"
            assert await caller.answer() == b"M1"

    on_each_loop(run)


@pytest.mark.parametrize(
    "sent", [b"", b"\x0b", b"\x0bMSH|^~", framed()[:-2]], ids=["nothing", "start", "half", "no end"]
)
def test_a_reset_in_the_middle_takes_nothing_and_harms_nobody(sent: bytes) -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened:
            for _ in range(5):
                reset(port_of(opened), sent)
            async with calling(opened) as caller:
                await caller.send(framed())
                assert await caller.answer() == b"M1"
        assert desk.taken == [MESSAGE]

    on_each_loop(run)


def test_who_hangs_up_before_the_answer_has_been_heard_all_the_same() -> None:
    async def run() -> None:
        taken, go_on, done = asyncio.Event(), asyncio.Event(), asyncio.Event()

        async def take(message: bytes) -> tuple[bytes, ...]:
            taken.set()
            await go_on.wait()
            done.set()
            return (answer_to(message),)

        async with door(take=take) as opened:
            async with calling(opened) as caller:
                await caller.send(framed())
                await taken.wait()
            go_on.set()
            await asyncio.wait_for(done.wait(), 10)

    on_each_loop(run)


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

    on_each_loop(run)


def test_a_frame_without_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mllp_connection, "FAREWELL", 0.1)

    async def run() -> None:
        async with door(mllp_frame_bytes=2048) as opened, calling(opened) as caller:
            with pytest.raises(ConnectionError):
                await flood(caller)

    async def flood(caller: Caller) -> None:
        caller.writer.write(b"\x0b" + MESSAGE)
        while True:
            await caller.send(b"x" * 10_000)

    on_each_loop(run)


def test_an_oversize_frame_goes_to_quarantine_with_its_head(house: House) -> None:
    async def run() -> bytes:
        desk = AdmissionDesk(house.intake.admissions, AttributedCaller("mllp"))
        opened = MllpDoor(receive=lambda _: desk, settings=Settings(mllp_frame_bytes=2048))
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


def test_who_reads_and_writes_by_turns_of_one_byte_is_heard_and_keeps_nobody_waiting() -> None:
    async def run() -> None:
        async with door() as opened, calling(opened) as slow, calling(opened) as other:
            for number, byte in enumerate(framed(numbered(1))):
                await slow.send(bytes([byte]))
                await other.send(framed(numbered(number)))
                assert await other.answer() == b"M%d" % number
            assert await slow.answer() == b"M1"

    on_each_loop(run)


def test_an_end_byte_without_carriage_return_ends_the_frame() -> None:
    """Common practice, no source: some senders leave the carriage return out, some add a line feed."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            for ending in (b"\x1c", b"\x1c\r\n", b"\x1c\n", b"\x1c\r"):
                await caller.send(b"\x0b" + MESSAGE + ending)
                assert await caller.answer() == b"M1"
        assert desk.taken == [MESSAGE] * 4

    on_each_loop(run)


def test_an_end_byte_within_a_message_cuts_it_off_and_the_next_one_is_whole() -> None:
    """Nothing tells such a byte from the end; what comes behind it is garbage between frames."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(framed(MESSAGE + b"OBX|1|ED|\x1cx\r") + framed(numbered(2)))
            assert [await caller.answer(), await caller.answer()] == [b"M1", b"M2"]
        assert desk.taken == [MESSAGE + b"OBX|1|ED|", numbered(2)]

    on_each_loop(run)


def test_where_only_the_pair_ends_a_frame_an_end_byte_within_it_is_content() -> None:
    async def run() -> None:
        desk, whole = Desk(), MESSAGE + b"OBX|1|ED|\x1cx\x1c\x1c\r"
        opened = MllpDoor(receive=desk.receive, settings=Settings(), frame_end=FrameEnd.PAIR)
        await opened.open("127.0.0.1", 0)
        async with calling(opened) as caller:
            await caller.send(b"\x0b" + whole[:-2] + b"\x1c\r")
            assert await caller.answer() == b"M1"
        await opened.close()
        assert desk.taken == [whole[:-2]]

    on_each_loop(run)


def test_empty_frames_get_no_answer_and_end_somebodys_patience() -> None:
    """No message, no answer (2.8.1); without a limit a line could be kept busy with nothing for ever."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            for _ in range(3):
                await caller.send(b"\x0b\x1c\r" * EMPTY_FRAMES + framed())
                assert await caller.answer() == b"M1"
            caller.writer.write(b"\x0b\x1c\r" * (EMPTY_FRAMES + 1))
            assert await caller.ended()
        assert desk.taken == [MESSAGE] * 3

    on_each_loop(run)


def test_a_thousand_frames_in_one_packet_and_then_the_end_are_all_answered() -> None:
    """The sender's half of the connection is closed; it still reads (RFC 9293, section 3.6)."""

    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            caller.writer.write(b"".join(framed(numbered(n)) for n in range(1000)))
            caller.writer.write_eof()
            heard = await asyncio.wait_for(caller.reader.read(), 10)
            ids = [Caller.control_id(each) for each in heard.split(b"\r\x1c\r")[:-1]]
            assert ids == [b"M%d" % n for n in range(1000)]
        assert desk.taken == [numbered(n) for n in range(1000)]

    on_each_loop(run)


def test_who_sends_far_ahead_of_the_answers_is_not_read_from() -> None:
    """Or one sender could fill the memory with messages that wait; TCP tells it to wait (RFC 9293, section 3.8.6)."""

    async def run() -> None:
        go_on, taken = asyncio.Event(), 0

        async def take(message: bytes) -> tuple[bytes, ...]:
            nonlocal taken
            await go_on.wait()
            taken += 1
            return (answer_to(message),)

        async with door(take=take) as opened, calling(opened) as caller:
            big, count = framed(MESSAGE + b"x" * 100_000), 300
            sending = asyncio.create_task(caller.send(big * count))
            done, _ = await asyncio.wait([sending], timeout=0.3)
            assert not done, "30 MB do not go anywhere"
            go_on.set()
            for _ in range(count):
                assert await caller.answer() == b"M1"
            await sending
            assert taken == count

    on_each_loop(run)


def test_a_flood_of_connections_keeps_nobody_out_who_is_in_and_fills_no_log() -> None:
    async def run() -> None:
        with capture_logs() as logs:
            async with door(connections_per_address=20) as opened, calling(opened) as caller:
                flood = [socket.create_connection(("127.0.0.1", port_of(opened))) for _ in range(400)]
                async with asyncio.timeout(10):
                    while not any(line.get("times") == 256 for line in logs):
                        await caller.send(framed())
                        assert await caller.answer() == b"M1"
                for each in flood:
                    each.close()
                await until_answered(opened)
        refused = [line for line in logs if line["event"] == "connection_refused"]
        assert {line["why"] for line in refused} == {"too-many-from-address"}
        assert {line["times"] for line in refused} >= {1, 2, 4, 8, 16, 32, 64, 128, 256}
        assert len(refused) < 20

    on_each_loop(run)


def test_a_mistake_of_ours_ends_the_connection_and_nothing_else() -> None:
    async def run() -> None:
        async def take(message: bytes) -> tuple[bytes, ...]:
            if field(message, 10) == b"M1":
                raise RuntimeError("PID|1||77")
            return (answer_to(message),)

        with capture_logs() as logs:
            async with door(take=take) as opened, calling(opened) as caller, calling(opened) as other:
                await caller.send(framed(numbered(1)))
                assert await caller.ended()
                await other.send(framed(numbered(2)))
                assert await other.answer() == b"M2"
        (told,) = [line for line in logs if line["event"] == "request_failed"]
        assert told["error"] == "RuntimeError"
        assert "77" not in str(logs)

    on_each_loop(run)
