"""The MLLP door and those who behave, on real sockets; how it stops.

Outside: the MLLP transport specification, release 1 (`0x0B` message `0x1C 0x0D`), HL7 v2 section 2.8 (one answer
for each message, in order).
"""

import asyncio
from collections.abc import Iterator

import pytest
from hl7.client import MLLPClient

from tests.doors.callers import (
    MESSAGE,
    Desk,
    answer_to,
    calling,
    door,
    framed,
    numbered,
    on_each_loop,
    port_of,
)
from tests.receivers import acknowledgement, field

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

    on_each_loop(run)


def test_two_messages_in_one_write_are_answered_in_order() -> None:
    async def run() -> None:
        desk = Desk()
        async with door(desk) as opened, calling(opened) as caller:
            await caller.send(b"".join(framed(numbered(n)) for n in range(20)))
            assert [await caller.answer() for _ in range(20)] == [b"M%d" % n for n in range(20)]
        assert desk.taken == [numbered(n) for n in range(20)]

    on_each_loop(run)


def test_a_message_may_come_byte_by_byte() -> None:
    async def run() -> None:
        async with door() as opened, calling(opened) as caller:
            for position in range(len(framed())):
                await caller.send(framed()[position : position + 1])
            assert await caller.answer() == b"M1"

    on_each_loop(run)


def test_who_wants_no_answer_gets_none() -> None:
    async def run() -> None:
        answers: Iterator[tuple[bytes, ...]] = iter([(), (answer_to(numbered(2)),)])

        async def take(message: bytes) -> tuple[bytes, ...]:
            return next(answers)

        async with door(take=take) as opened, calling(opened) as caller:
            await caller.send(framed(numbered(1)) + framed(numbered(2)))
            assert await caller.answer() == b"M2"

    on_each_loop(run)


def test_connections_are_served_side_by_side() -> None:
    """One sender's slow message keeps nobody else waiting."""

    async def run() -> None:
        slow = asyncio.Event()

        async def take(message: bytes) -> tuple[bytes, ...]:
            if field(message, 10) == b"M1":
                await slow.wait()
            return (answer_to(message),)

        async with door(take=take) as opened, calling(opened) as first, calling(opened) as second:
            await first.send(framed(numbered(1)))
            await second.send(framed(numbered(2)))
            assert await second.answer() == b"M2"
            slow.set()
            assert await first.answer() == b"M1"

    on_each_loop(run)


# ── stopping ───────────────────────────────────────────────────────────────────────────────────────


def test_stopping_finishes_the_open_message_and_takes_no_more() -> None:
    async def run() -> None:
        taken, go_on = asyncio.Event(), asyncio.Event()
        heard: list[bytes] = []

        async def take(message: bytes) -> tuple[bytes, ...]:
            heard.append(message)
            taken.set()
            await go_on.wait()
            return (answer_to(message),)

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

    on_each_loop(run)


def test_stopping_does_not_wait_for_ever() -> None:
    async def run() -> None:
        taken = asyncio.Event()

        async def take(message: bytes) -> tuple[bytes, ...]:
            taken.set()
            await asyncio.Event().wait()
            return ()

        async with door(take=take) as opened, calling(opened) as caller:
            await caller.send(framed())
            await taken.wait()
            await asyncio.wait_for(opened.close(grace=0.05), 5)
            assert await caller.ended()

    on_each_loop(run)


def test_nothing_of_a_message_stands_in_the_log(capsys: pytest.CaptureFixture[str]) -> None:
    async def run() -> None:
        async with door(mllp_frame_bytes=2048, connections_per_address=1) as opened, calling(opened) as caller:
            await caller.send(framed() + framed(MESSAGE + b"Quillfeather" * 400))
            await caller.answer()
            async with calling(opened) as turned_away:
                await turned_away.ended()

    on_each_loop(run)
    written = "".join(capsys.readouterr())
    assert "Quillfeather" not in written
    assert "AHREG" not in written
