"""When messages are sent and over which connection: order, pace, a lost connection, a blocked one.

Resending the same bytes once a connection is lost, and stopping when that fails, is common practice, no source.
"""

import asyncio
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.replaying.ends import Access, Answer, read_targets
from gateway.replaying.messages import Kind, Outgoing
from gateway.replaying.report import percentile, row, summary
from gateway.replaying.sending import Outcome, Run, send_all, share_out
from tests.receivers import MllpReceiver, acknowledgement, http_receiver, mllp_receiver


def outgoing(number: int, together: str = "", expected: str | None = None) -> Outgoing:
    body = f"MSH|^~\\&|A|B|||20260314||ADT^A08|M{number}|P|2.5.1\rPID|1||{together}\r".encode()
    return Outgoing(
        file=f"{number}.hl7",
        number=1,
        kind=Kind.ADMISSION,
        body=body,
        control_id=f"M{number}",
        together=together,
        expected=expected,
    )


def replay(
    messages: list[Outgoing],
    reply: Callable[[bytes, int], bytes | None] = lambda message, _: acknowledgement(message),
    *,
    timeout: float = 5,
    rate: float | None = None,
    connections: int = 1,
) -> tuple[Run, MllpReceiver]:
    async def run() -> tuple[Run, MllpReceiver]:
        async with mllp_receiver(reply) as receiver:
            targets, access = read_targets([receiver.address]), Access(timeout=timeout)
            return await send_all(messages, targets, access, rate=rate, connections=connections), receiver

    return asyncio.run(run())


@given(st.lists(st.sampled_from(["", "a", "b", "c", "d"]), max_size=40), st.integers(1, 8))
def test_messages_of_one_patient_share_a_lane_in_order(patients: list[str], lanes: int) -> None:
    messages = [outgoing(number, patient) for number, patient in enumerate(patients)]
    shares = share_out(messages, lanes)
    assert len(shares) <= lanes
    assert sorted(number for share in shares for number in share) == list(range(len(messages)))
    assert all(share == sorted(share) for share in shares)
    for patient in set(patients) - {""}:
        assert sum(any(patients[number] == patient for number in share) for share in shares) == 1


def test_new_patients_go_to_the_lanes_in_turn() -> None:
    messages = [outgoing(number, together) for number, together in enumerate(["a", "b", "a", "c", "b", "", ""])]
    assert share_out(messages, 3) == [[0, 2, 5], [1, 4, 6], [3]]


def test_one_connection_keeps_the_order() -> None:
    messages = [outgoing(number) for number in range(50)]
    run, receiver = replay(messages)
    assert receiver.messages == [message.body for message in messages]
    assert len(receiver.connections) == 1
    assert [outcome.message for outcome in run.outcomes] == messages
    assert all(outcome.is_good and outcome.sendings == 1 for outcome in run.outcomes)
    assert run.stopped is None


def test_several_connections_keep_each_patients_order() -> None:
    messages = [outgoing(number, f"p{number * 7 % 11}") for number in range(110)]
    run, receiver = replay(messages, connections=4)
    assert len(receiver.connections) == 4
    assert sorted(receiver.messages) == sorted(message.body for message in messages)
    for connection in receiver.connections:
        numbers = [int(body.split(b"|M")[1].split(b"|")[0]) for body in connection]
        assert numbers == sorted(numbers)
    assert [outcome.message for outcome in run.outcomes] == messages


def test_connections_are_really_parallel() -> None:
    """Nobody is answered until three have asked, so one after the other would wait for ever."""

    async def run() -> Run:
        async with mllp_receiver() as receiver:
            waiting = asyncio.Barrier(3)

            async def all_here(_: bytes) -> None:
                await waiting.wait()

            receiver.arrived = all_here
            targets = read_targets([receiver.address])
            return await send_all([outgoing(n) for n in range(3)], targets, Access(timeout=5), connections=3)

    assert all(outcome.is_good for outcome in asyncio.run(run()).outcomes)


def test_a_lost_connection_is_made_again_and_the_message_resent() -> None:
    def hang_up_once(message: bytes, number: int) -> bytes | None:
        return None if number == 3 else acknowledgement(message)

    messages = [outgoing(number) for number in range(1, 6)]
    run, receiver = replay(messages, hang_up_once)
    bodies = [message.body for message in messages]
    assert receiver.messages == [*bodies[:3], bodies[2], *bodies[3:]]
    assert [len(connection) for connection in receiver.connections] == [3, 3]
    assert [outcome.sendings for outcome in run.outcomes] == [1, 1, 2, 1, 1]
    assert all(outcome.is_good for outcome in run.outcomes)
    assert summary(run, rate=None)["resent"] == 1


@pytest.mark.parametrize(("answer", "reason"), [(None, "disconnected"), (b"", "silence")])
def test_a_message_without_an_answer_blocks_what_follows(answer: bytes | None, reason: str) -> None:
    def mute_from_the_second(message: bytes, _: int) -> bytes | None:
        return acknowledgement(message) if b"|M1|" in message else answer

    run, receiver = replay([outgoing(number) for number in (1, 2, 3)], mute_from_the_second, timeout=0.2)
    assert [body.split(b"|")[9] for body in receiver.messages] == [b"M1", b"M2", b"M2"]
    assert [(o.answer is not None, o.sendings) for o in run.outcomes] == [(True, 1), (False, 2)]
    assert run.unsent == 1
    assert "2.hl7: message 1: sent twice, " in str(run.stopped)
    assert reason in str(run.stopped)


def test_a_receiver_that_goes_away_stops_every_lane() -> None:
    async def run() -> Run:
        async with mllp_receiver() as receiver:
            targets = read_targets([receiver.address])
        return await send_all([outgoing(n) for n in range(9)], targets, Access(timeout=5), connections=3, rate=0.001)

    finished = asyncio.run(run())
    assert (finished.outcomes, finished.unsent) == ((), 9)
    assert "connection refused" in str(finished.stopped)


def test_a_rate_is_offered_whatever_the_answers_do() -> None:
    """An open loop: the pace is the schedule's, and waiting for a slow answer counts as latency."""
    run, receiver = replay([outgoing(number) for number in range(20)], rate=200)
    assert run.seconds >= 19 / 200
    assert len(receiver.messages) == 20

    async def slow() -> Run:
        async with mllp_receiver() as receiver:
            loop = asyncio.get_running_loop()

            async def stall_once(message: bytes) -> None:
                if b"|M0|" in message:
                    await asyncio.wait([loop.create_task(stalled.wait())], timeout=0.1)

            stalled = asyncio.Event()
            receiver.arrived = stall_once
            return await send_all(
                [outgoing(number) for number in range(10)], read_targets([receiver.address]), Access(), rate=1000
            )

    latencies = [outcome.seconds for outcome in asyncio.run(slow()).outcomes]
    assert latencies[0] >= 0.1
    assert latencies[9] >= 0.09  # due 9 ms after the start, and stuck behind the first


def test_an_expected_answer_is_good_whatever_it_says() -> None:
    codes = {b"M1": b"AE", b"M2": b"AE", b"M3": b"AA", b"M4": b"AR"}
    messages = [outgoing(1, expected="AE"), outgoing(2), outgoing(3, expected="AE"), outgoing(4, expected="AA")]
    run, _ = replay(messages, lambda message, _: acknowledgement(message, codes[message.split(b"|")[9]]))
    assert [outcome.is_good for outcome in run.outcomes] == [True, False, False, False]
    figures = summary(run, rate=None)
    assert (figures["good"], figures["negative"], figures["differing"]) == (1, 3, 2)
    assert figures["answers"] == {"AA": 1, "AE": 2, "AR": 1}


def test_two_ends_in_one_order() -> None:
    """A care report goes to HTTP and an admission to MLLP, and on one lane neither overtakes the other."""
    seen: list[bytes] = []

    def posted(body: bytes) -> tuple[int, str, bytes]:
        seen.append(body)
        return 200, "text/plain", b""

    def framed(message: bytes, _: int) -> bytes:
        seen.append(message)
        return acknowledgement(message)

    async def run() -> Run:
        async with mllp_receiver(framed) as receiver:
            return await send_all(messages, read_targets([receiver.address, http.address]), Access())

    report = Outgoing(file="r.xml", number=1, kind=Kind.REPORT, body=b"<EMSDataSet/>", expected="200")
    messages = [outgoing(1), report, outgoing(2), report]
    with http_receiver(posted) as http:
        finished = asyncio.run(run())
    assert seen == [message.body for message in messages]
    assert [outcome.answer.code for outcome in finished.outcomes if outcome.answer] == ["AA", "200", "AA", "200"]
    assert all(outcome.is_good for outcome in finished.outcomes)


# ── figures ────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("percent", "value"), [(5, 15), (30, 20), (40, 20), (50, 35), (100, 50)])
def test_percentiles_by_nearest_rank(percent: float, value: float) -> None:
    """The usual worked example of the nearest-rank method (from memory)."""
    assert percentile([15, 20, 35, 40, 50], percent) == value


@given(st.lists(st.floats(0, 1e6), min_size=1), st.floats(0.1, 100))
def test_a_percentile_has_so_many_values_below_it(values: list[float], percent: float) -> None:
    found = percentile(sorted(values), percent)
    assert found in values
    assert sum(value <= found for value in values) >= len(values) * percent / 100 - 1e-9


def test_the_figures_of_nothing() -> None:
    run = Run(outcomes=(), seconds=0.0, unsent=2, stopped=None)
    assert summary(run, rate=5)["latency_ms"] is None
    assert summary(run, rate=5)["reasons"] == []


def answered(number: int, answer: Answer | None, lost: str = "") -> Outcome:
    return Outcome(message=outgoing(number), answer=answer, seconds=0.001, sendings=1, lost=lost)


def test_each_reason_stands_once_with_its_number_and_first_file() -> None:
    outcomes = (
        answered(1, Answer("AA", True)),
        answered(2, Answer("AE", False, reason="PV1-19: missing")),
        answered(3, Answer("401", False, 401, "no feed has this token")),
        answered(4, Answer("401", False, 401, "no feed has this token")),
        answered(5, Answer("200", True, 200, "report 7: unchanged", is_duplicate=True)),
        answered(6, Answer("AR", False)),
        answered(7, None, "no answer in time"),
    )
    figures = summary(Run(outcomes=outcomes, seconds=1.0, unsent=0, stopped=None), rate=None)
    assert [tuple(each.values()) for each in figures["reasons"]] == [
        ("401", False, "no feed has this token", 2, "3.hl7"),
        ("AE", False, "PV1-19: missing", 1, "2.hl7"),
        ("200", True, "report 7: unchanged", 1, "5.hl7"),
        ("AR", False, None, 1, "6.hl7"),
        (None, False, "no answer in time", 1, "7.hl7"),
    ]
    assert figures["duplicates"] == 1
    assert [row(each)["reason"] for each in outcomes[:2]] == [None, "PV1-19: missing"]
    assert row(outcomes[4])["duplicate"] is True


@pytest.mark.parametrize(
    ("answer", "lost"), [(None, "the connection broke before the answer"), (b"", "no answer in time")]
)
def test_a_lost_answer_says_why(answer: bytes | None, lost: str) -> None:
    run, _ = replay([outgoing(1)], lambda *_: answer, timeout=0.1 if answer is not None else 5)
    assert [(each.answer, each.reason, each.sendings) for each in run.outcomes] == [(None, lost, 2)]


def test_nothing_of_a_person_is_in_a_row() -> None:
    outcome = Outcome(message=outgoing(1, "4711"), answer=None, seconds=0.5, sendings=2)
    assert "4711" not in str(row(outcome))
    assert row(outcome)["latency_ms"] == 500.0
