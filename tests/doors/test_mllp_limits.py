"""The limits of the MLLP door, each a setting of the region; their defaults are the contract's."""

import asyncio
import socket

import pytest

from gateway.doors import mllp_connection
from tests.doors.callers import (
    MESSAGE,
    answer_to,
    calling,
    door,
    framed,
    numbered,
    on_each_loop,
    port_of,
    until_answered,
)
from tests.receivers import field

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
            await until_answered(opened)

    on_each_loop(run)


def test_a_connection_that_says_nothing_is_closed() -> None:
    async def run() -> None:
        async with door(idle_seconds=0.1) as opened, calling(opened) as caller:
            assert await caller.ended()

    on_each_loop(run)


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

    on_each_loop(run)


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

    on_each_loop(run)


def test_who_reads_no_answers_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mllp_connection, "FAREWELL", 0.05)

    async def run() -> None:
        async def take(message: bytes) -> tuple[bytes, ...]:
            return (b"x" * 1_000_000,)

        async with door(take=take, idle_seconds=0.1, connections_in_all=1) as opened:
            with socket.create_connection(("127.0.0.1", port_of(opened))) as deaf:
                deaf.setblocking(False)
                deaf.send(framed() * 100)
                await until_answered(opened)

    on_each_loop(run)


def test_messages_beyond_those_in_flight_wait_their_turn() -> None:
    async def run() -> None:
        go_on, begun = asyncio.Event(), []

        async def take(message: bytes) -> tuple[bytes, ...]:
            begun.append(field(message, 10))
            await go_on.wait()
            return (answer_to(message),)

        async with (
            door(take=take, messages_in_flight=2) as opened,
            calling(opened) as first,
            calling(opened) as second,
            calling(opened) as third,
        ):
            for number, caller in enumerate((first, second, third)):
                await caller.send(framed(numbered(number)))
                async with asyncio.timeout(10):
                    while len(begun) < min(number + 1, 2):
                        await asyncio.sleep(0)
            waiting = asyncio.create_task(third.answer())
            await asyncio.wait([waiting], timeout=0.1)
            assert begun == [b"M0", b"M1"]
            go_on.set()
            assert [await first.answer(), await second.answer(), await waiting] == [b"M0", b"M1", b"M2"]

    on_each_loop(run)


def test_begun_frames_of_all_together_have_one_limit() -> None:
    """Two thousand connections with half a frame of 16 MB each would be 32 GB."""

    async def run() -> None:
        half = b"\x0b" + MESSAGE + b"x" * 50_000
        async with door(unanswered_bytes=80_000) as opened, calling(opened) as first, calling(opened) as second:
            await first.send(half)
            await until_answered(opened)  # by then the half frame has been read
            await second.send(half)
            assert await second.ended()
            await first.send(b"\x1c\r")
            assert await first.answer() == b"M1", "who was in before is not put out"
            await until_answered(opened)

    on_each_loop(run)
