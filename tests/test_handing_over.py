"""What one process hands to the other comes back settled, over a real stream and a real database.

There is nothing outside the project to compare with: the stream is our own. What is checked is that a message
handed over has the effect, and gets the answer, that it has in one process.
"""

import asyncio
import socket
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.attribution import Caller
from gateway.handing_over import (
    Became,
    FarKeeper,
    Line,
    NotOpened,
    Opened,
    Stages,
    Stop,
    keep_for,
    read_for,
)
from gateway.intake import AdmissionIntake
from gateway.keeping import Keeper
from gateway.records import Stage
from tests.sabotage import refusing
from tests.working import FIXTURES, House, cases

A04 = (FIXTURES / next(file for file in cases()["chest-pain-1"]["files"] if file.endswith(".hl7"))).read_bytes()


@asynccontextmanager
async def lines() -> AsyncIterator[tuple[Line, Line]]:
    """Both ends of one stream."""
    here, there = socket.socketpair()
    ends = Line(*await asyncio.open_connection(sock=here)), Line(*await asyncio.open_connection(sock=there))
    try:
        yield ends
    finally:
        for end in ends:
            await end.close()


async def handed_over(
    keeper: Keeper, work: Callable[[FarKeeper, Line], Coroutine[Any, Any, Any]], heard: list[Any] | None = None
) -> tuple[Any, dict[str, Stage]]:
    """Run `work` as the reading process while `keeper` keeps; gives back its value, and the stages it was told."""
    stages: dict[str, Stage] = {}
    async with lines() as (keeping, reading):
        far = FarKeeper(reading)
        keeps = asyncio.create_task(keep_for(keeping, keeper, ([] if heard is None else heard).append))
        reads = asyncio.create_task(
            read_for(reading.things(), far, set_stage=stages.__setitem__, stop=lambda: stages.update(stop=Stage.LIVE))
        )
        value = await work(far, keeping)
        await reading.close()
        await keeps
        await keeping.close()
        await reads
    return value, stages


async def taken(house: House, far: FarKeeper, data: bytes) -> bytes:
    """The one answer to a message that the reading process takes."""
    intake = AdmissionIntake(house.region, far, house.clock, lambda: "an id")
    (answer,) = await intake.take(data, Caller(door="mllp"))
    return answer


def test_a_message_handed_over_is_kept_and_answered_as_in_one_process(house: House) -> None:
    async def work(far: FarKeeper, _: Line) -> list[bytes]:
        return [await taken(house, far, A04) for _ in range(2)]

    answers, _ = asyncio.run(handed_over(house.intake.keeping, work))
    assert all(b"MSA|AA|" in answer for answer in answers)
    assert [each.outcome.value for each in house.messages()] == ["kept", "duplicate"]
    assert house.raw(house.messages()[0].id) == A04


def test_many_at_once_get_each_its_own_answer(house: House) -> None:
    async def work(far: FarKeeper, _: Line) -> list[bytes]:
        sent = [A04] * 3 + [b"no message", b"MSH|^~\\&|NOBODY|X\r"]
        return await asyncio.gather(*(taken(house, far, data) for data in sent))

    answers, _ = asyncio.run(handed_over(house.intake.keeping, work))
    assert [b"|AA|" in answer for answer in answers] == [True, True, True, False, False]
    assert len(house.quarantined()) == 2


def test_what_cannot_be_kept_is_told_as_such_and_logged_once_where_the_reason_is_known(
    house: House, url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    async def work(far: FarKeeper, _: Line) -> bytes:
        return await taken(house, far, A04)

    with refusing(url, "visits"):
        answer, _ = asyncio.run(handed_over(house.intake.keeping, work))
    (told,) = [line for line in capsys.readouterr().out.splitlines() if "_failed" in line]
    assert "store_failed" in told
    assert "NotKept" not in told
    assert b"MSA|AR|" in answer
    assert b"send it again later" in answer
    assert not house.messages()
    answer, _ = asyncio.run(handed_over(house.intake.keeping, work))
    assert b"|AA|" in answer


def test_nobody_answers_for_a_keeping_process_that_is_gone(house: House) -> None:
    """Whether a message was kept is unknown then: its sender must see no answer, and send again."""

    async def work() -> None:
        async with lines() as (keeping, reading):
            far = FarKeeper(reading)
            reads = asyncio.create_task(read_for(reading.things(), far, set_stage=lambda *_: None, stop=lambda: None))
            waiting = asyncio.create_task(taken(house, far, A04))
            await asyncio.sleep(0)  # let it hand over
            await keeping.close()
            await reads
            assert not waiting.done()
            waiting.cancel()

    asyncio.run(work())


def test_a_mistake_of_ours_in_the_keeping_process_is_logged_as_one(
    house: House, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken() -> str:
        raise ZeroDivisionError

    async def work(far: FarKeeper, _: Line) -> bytes:
        return await taken(house, far, A04)

    answer, _ = asyncio.run(handed_over(House(house.database, new_id=broken).intake.keeping, work))
    assert b"send it again later" in answer
    (told,) = [line for line in capsys.readouterr().out.splitlines() if "_failed" in line]
    assert "request_failed" in told
    assert "ZeroDivisionError" in told


def test_an_answer_to_nobody_is_nobody_s(house: House) -> None:
    async def work(far: FarKeeper, keeping: Line) -> bytes:
        keeping.send(Became(99, is_kept=False))
        return await taken(house, far, A04)

    answer, _ = asyncio.run(handed_over(house.intake.keeping, work))
    assert b"|AA|" in answer


def test_stages_and_stop_go_over_and_what_is_at_hand_is_still_answered(house: House) -> None:
    async def work(far: FarKeeper, keeping: Line) -> bytes:
        keeping.send(Stages({"harrow-point-reports": Stage.TRIAL}))
        keeping.send(Stop())
        return await taken(house, far, A04)

    answer, stages = asyncio.run(handed_over(house.intake.keeping, work))
    assert b"|AA|" in answer
    assert stages == {"harrow-point-reports": Stage.TRIAL, "stop": Stage.LIVE}


def test_addresses_and_faults_of_doors_are_heard(house: House) -> None:
    heard: list[Any] = []

    async def work() -> None:
        async with lines() as (keeping, reading):
            reading.send(Opened({"admissions": "mllp://127.0.0.1:2575"}))
            reading.send(NotOpened("another program listens there"))
            await reading.close()
            await keep_for(keeping, house.intake.keeping, heard.append)

    asyncio.run(work())
    assert heard == [Opened({"admissions": "mllp://127.0.0.1:2575"}), NotOpened("another program listens there")]


@given(st.lists(st.dictionaries(st.text(), st.sampled_from(Stage)), max_size=20), st.integers(1, 7))
def test_things_come_whole_and_in_order_however_the_stream_is_cut(told: list[dict[str, Stage]], cut: int) -> None:
    async def work() -> list[Any]:
        here, there = socket.socketpair()
        here.setblocking(False)
        line = Line(*await asyncio.open_connection(sock=there))
        sender = Line(*await asyncio.open_connection(sock=here, limit=cut))
        for each in told:
            sender.send(Stages(each))
        await sender.close()
        found = [thing async for thing in line.things()]
        await line.close()
        return found

    assert asyncio.run(work()) == [Stages(each) for each in told]
