"""The delivery worker against awkward receivers: what is sent again, what is not, in which order, with which bytes.

Outside: RFC 9110 (15.3 success, 15.4 redirection, 15.5.9 408, 15.6 server errors), RFC 6585 section 4 (429),
FHIR R4 Subscription (rest-hook: a POST, any 2xx is success), HL7 v2 chapter 2 (2.8.2: AE is final, AR may be sent
again; table 0008). "At least once, in order, the same bytes under the same id" is the gateway's own contract.
"""

import asyncio
import dataclasses
import itertools
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import msgspec
import orjson
import psycopg
import pytest
import respx
from sqlalchemy import update
from sqlalchemy.engine import make_url

from gateway import deliveries as working
from gateway.deliveries import ANSWER_BYTES, BUSY, GIVEN_WAY, DeliveryWorker, read_secret
from gateway.errors import StoreUnavailable, UsageFault
from gateway.records import Channel, Delivery, DeliveryState, Subscription, Topic, Traffic, VisitState
from gateway.region import Region
from gateway.settings import Settings
from gateway.store import deliveries, events, visits
from gateway.store.database import Database
from gateway.store.statements import Statement
from gateway.store.tables import DELIVERIES
from gateway.store.transaction import Tx
from tests.receivers import Reply, acknowledgement, field, http_receiver, mllp_receiver, threaded_mllp_receiver
from tests.store.samples import NOW
from tests.working import FIXTURES, START, House, cases, edited, yarrowfen

HOOK = "http://127.0.0.1:9/hook"
QUICK = {"delivery_first_wait_seconds": 0.01, "delivery_longest_wait_seconds": 0.02}
RUN = "chest-pain-1"
END_ALL = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database()"
NEWEST = (FIXTURES / "day" / "admissions" / "chest-pain-1-4-anvil-head-adt-a01.hl7").read_bytes()
DELIVERED, HELD, WAITING, QUEUED = (
    DeliveryState.DELIVERED,
    DeliveryState.HELD,
    DeliveryState.WAITING,
    DeliveryState.QUEUED,
)


class RunningClock:
    """A clock that begins the day after everything in these tests happened, and runs as clocks do."""

    def __init__(self) -> None:
        self._began = time.monotonic()

    def __call__(self) -> datetime:
        return START + timedelta(days=1, seconds=time.monotonic() - self._began)


def hook(endpoint: str = HOOK, name: str = "by-fhir", **more: Any) -> Subscription:
    values = {"organisation": "anvil-head", "topic": Topic.RECORDS_LINKED, "channel": Channel.FHIR_REST_HOOK}
    return Subscription(**({"name": name, "endpoint": endpoint} | values | more))


def mllp(endpoint: str, name: str = "by-hl7", **more: Any) -> Subscription:
    return hook(endpoint, name, channel=Channel.HL7V2_MLLP, **more)


def subscribed(*subscriptions: Subscription, **settings: float) -> Region:
    return dataclasses.replace(
        yarrowfen(),
        subscriptions={each.name: each for each in subscriptions},
        settings=Settings.model_validate(QUICK | settings),
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Database]:
    """SQLite alone, for what has nothing to do with the database."""
    with Database.open(f"sqlite:///{tmp_path}/one.db", key_file=tmp_path / "one.key", now=NOW) as opened:
        yield opened


def linked(database: Database, region: Region, *runs: str) -> House:
    """A house in which these runs have come in, so that their subscribers have something to hear."""
    house = House(database, region)
    for run in runs or (RUN,):
        house.play(cases()[run]["files"])
    return house


def everything(house: House) -> list[Delivery]:
    def look(tx: Any) -> list[Delivery]:
        return [each for state in DeliveryState for each in deliveries.in_state(tx, state, limit=1000)]

    return sorted(house.database.read(look), key=lambda each: (each.subscription, each.number))


def in_state(house: House, state: DeliveryState) -> list[Delivery]:
    return [each for each in everything(house) if each.state is state]


def worker_of(house: House, name: str, standing: Callable[[], int] = lambda: 0) -> DeliveryWorker:
    return DeliveryWorker(
        region=house.region,
        database=house.database,
        subscription=house.region.subscriptions[name],
        clock=RunningClock(),
        jitter=lambda: 0.5,
        name=f"worker-{name}",
        standing=standing,
    )


@asynccontextmanager
async def working_for(house: House, *names: str) -> AsyncIterator[list[asyncio.Task[None]]]:
    """The workers of these subscriptions, stopped at the end as the gateway stops them."""
    tasks = [asyncio.create_task(worker_of(house, name).run()) for name in names]
    try:
        yield tasks
    finally:
        for task in tasks:
            task.cancel()
        ended = await asyncio.gather(*tasks, return_exceptions=True)
    assert all(isinstance(each, asyncio.CancelledError) for each in ended), ended


async def until(true: Callable[[], bool], tasks: list[asyncio.Task[None]]) -> None:
    async with asyncio.timeout(20):
        while not true():
            done, _ = await asyncio.wait(tasks, timeout=0.01)
            assert not done, "a worker has died"


def work(house: House, *names: str, until_settled: Callable[[], bool] | None = None) -> None:
    """Let the workers run until everything of theirs is settled, or something else is so."""

    def settled() -> bool:
        return all(each.settled for each in everything(house) if each.subscription in names)

    async def run() -> None:
        async with working_for(house, *names) as tasks:
            await until(until_settled or settled, tasks)

    asyncio.run(run())


# ── HTTP answers ───────────────────────────────────────────────────────────────────────────────────

Answer = int | Exception
TAKEN: list[tuple[Answer, ...]] = [
    (200,),
    (204,),
    (500, 200),
    (503, 502, 202),
    (429, 200),
    (408, 200),
    (425, 200),
    (httpx.ConnectError("refused"), 200),
    (httpx.ConnectTimeout("no way"), 200),
    (httpx.ReadTimeout("silence"), 200),
    (httpx.WriteError("broken pipe"), 200),
    (httpx.RemoteProtocolError("no HTTP"), 200),
]


def answering(*answers: Answer) -> list[httpx.Response | Exception]:
    return [each if isinstance(each, Exception) else httpx.Response(each) for each in answers]


def test_the_workers_are_woken_by_what_there_is_to_tell_and_by_nothing_else(store: Database) -> None:
    house = House(store, subscribed(hook("http://127.0.0.1:1/")))
    woken = []
    for file in cases()[RUN]["files"]:
        queued = len(everything(house))
        house.play([file])
        woken.append((house.woken, len(everything(house)) - queued))
        house.woken = 0
    assert any(new for _, new in woken)
    assert all(calls > 0 for calls, new in woken if new)
    again = [file for file in cases()[RUN]["files"] if file.endswith(".hl7")]
    house.play(again)
    assert house.woken == 0, "a message that came before says nothing new"


@pytest.mark.parametrize("answers", TAKEN, ids=repr)
def test_what_was_lost_is_sent_again_as_the_same_bytes_under_the_same_id(
    store: Database, answers: tuple[Answer, ...]
) -> None:
    house = linked(store, subscribed(hook()))
    (delivery,) = everything(house)
    with respx.mock() as web:
        route = web.post(HOOK).mock(side_effect=answering(*answers))
        work(house, "by-fhir")
    bodies = [call.request.content for call in route.calls]
    assert len(bodies) == len(answers)
    assert len(set(bodies)) == 1
    assert orjson.loads(bodies[0])["id"] == delivery.id
    (made,) = everything(house)
    assert (made.state, made.attempts) == (DELIVERED, len(answers))


@pytest.mark.parametrize("status", [300, 302, 307, 308, 400, 401, 403, 404, 410, 413, 415, 422])
def test_what_was_refused_is_held_for_a_person_and_not_sent_again(store: Database, status: int) -> None:
    house = linked(store, subscribed(hook()))
    with respx.mock() as web:
        elsewhere = httpx.Response(status, headers={"Location": "http://127.0.0.1:9/elsewhere"})
        route = web.post(HOOK).mock(return_value=elsewhere)
        work(house, "by-fhir")
    assert route.call_count == 1, "a redirect is not followed: the endpoint is the one the operator allowed"
    (held,) = everything(house)
    assert (held.state, held.reason) == (HELD, f"http-{status}")


def test_patience_ends_and_the_delivery_is_held(store: Database) -> None:
    house = linked(store, subscribed(hook(), delivery_attempts=3))
    with respx.mock() as web:
        route = web.post(HOOK).mock(return_value=httpx.Response(503))
        work(house, "by-fhir")
    assert route.call_count == 3
    (held,) = everything(house)
    assert (held.state, held.attempts, held.reason) == (HELD, 3, "http-503")


# ── receivers on real sockets ──────────────────────────────────────────────────────────────────────

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def awkward_http(serve: Serve) -> AsyncIterator[str]:
    """An HTTP end that is no good one: `serve` gets each connection once its request has been read."""

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        size = int(head.lower().partition(b"content-length:")[2].split(b"\r")[0])
        await reader.readexactly(size)
        try:
            await serve(reader, writer)
        except ConnectionError:
            return  # the worker has hung up, which is what these tests are about
        finally:
            writer.close()

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/hook"
    finally:
        server.close()
        await server.wait_closed()


async def run_against(serve: Serve, store: Database, state: DeliveryState, **more: Any) -> House:
    """Let a worker deliver to an awkward end until its one delivery is in a state."""
    async with awkward_http(serve) as endpoint:
        house = await asyncio.to_thread(linked, store, subscribed(hook(endpoint, **more)))
        async with working_for(house, "by-fhir") as tasks:
            await until(lambda: bool(in_state(house, state)), tasks)
    return house


def test_an_endless_body_is_not_read_to_its_end(store: Database) -> None:
    sent = 0

    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 999999999999\r\n\r\n")
        while True:
            writer.write(bytes(16384))
            sent += 16384
            await writer.drain()

    asyncio.run(run_against(flood, store, DELIVERED))
    assert sent < ANSWER_BYTES + 32 * 1024 * 1024, "what the sockets of both ends hold, and no more"


def test_a_body_that_drips_or_breaks_off_changes_nothing(store: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 9110, 15.3: the status says that the request was taken; the body only describes it."""
    monkeypatch.setattr(working, "ANSWER_SECONDS", 0.05)

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 201 Created\r\nContent-Length: 10\r\n\r\nx")
        await writer.drain()
        await reader.read()  # until the worker hangs up

    house = asyncio.run(run_against(drip, store, DELIVERED))
    assert [each.attempts for each in everything(house)] == [1]


@pytest.mark.parametrize("head", [b"", b"HTTP/1.1 200 OK\r\nX-Slow: "], ids=["nothing", "half a header"])
def test_an_answer_that_never_comes_is_a_loss(store: Database, head: bytes) -> None:
    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(head)
        await reader.read()

    house = asyncio.run(run_against(say_nothing, store, WAITING, timeout=0.1))
    assert {each.reason for each in everything(house)} == {"silence"}


def test_headers_that_drip_for_ever_are_a_loss(store: Database) -> None:
    """Each byte comes in time, the answer never does: the limit is for the whole of it."""

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        hung_up = asyncio.create_task(reader.read())
        writer.write(b"HTTP/1.1 200 OK\r\n")
        while not hung_up.done():
            writer.write(b"X-Slow: yes\r\n")
            await asyncio.wait([hung_up], timeout=0.05)

    house = asyncio.run(run_against(drip, store, WAITING, timeout=0.3))
    assert {each.reason for each in everything(house)} == {"silence"}


def test_a_secret_header_travels_and_is_kept_nowhere(store: Database, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("Bearer hush-hush\n", encoding="utf-8")
    with http_receiver() as receiver:
        place = f"file:{tmp_path / 'secret'}"
        house = linked(store, subscribed(hook(f"{receiver.address}/hook", header=("Authorization", place))))
        work(house, "by-fhir")
    (_, headers, body) = receiver.requests[0]
    assert headers["authorization"] == "Bearer hush-hush"
    assert headers["content-type"] == "application/fhir+json; charset=UTF-8"
    assert b"hush-hush" not in body
    assert "hush-hush" not in repr(house.region.subscriptions)


def test_a_secret_that_is_missing_is_named_by_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOOK_SECRET", "hush")
    assert read_secret("env:HOOK_SECRET") == "hush"
    monkeypatch.delenv("HOOK_SECRET")
    with pytest.raises(UsageFault, match="HOOK_SECRET"):
        read_secret("env:HOOK_SECRET")
    with pytest.raises(UsageFault, match="nowhere"):
        read_secret(f"file:{tmp_path / 'nowhere'}")


# ── order, and one subscriber beside another ───────────────────────────────────────────────────────


def ids_of(bodies: list[bytes]) -> list[str]:
    """The ids of the bundles, each once, in the order in which they first came."""
    return list(dict.fromkeys(orjson.loads(body)["id"] for body in bodies))


@pytest.mark.parametrize("failures", [0, 1, 5])
def test_notifications_arrive_in_the_order_of_their_numbers(house: House, failures: int) -> None:
    house = linked(house.database, subscribed(hook()), RUN, "doe", "stroke-1", "two-crews")
    queued = everything(house)
    assert len(queued) > 4
    with respx.mock() as web:
        answers = itertools.chain(answering(*[500] * failures), itertools.repeat(httpx.Response(200)))
        route = web.post(HOOK).mock(side_effect=answers)
        work(house, "by-fhir")
    assert ids_of([call.request.content for call in route.calls]) == [each.id for each in queued]
    assert {each.state for each in everything(house)} == {DELIVERED}


def test_a_dead_subscriber_delays_nobody_else(store: Database) -> None:
    house = linked(store, subscribed(hook(), hook("http://127.0.0.1:9/dead", "dead")), RUN, "doe")
    with respx.mock() as web:
        web.post("http://127.0.0.1:9/dead").mock(side_effect=httpx.ConnectError("refused"))
        taken = web.post(HOOK).mock(return_value=httpx.Response(200))
        mine = [each.id for each in everything(house) if each.subscription == "by-fhir"]

        def done() -> bool:
            return len(in_state(house, DELIVERED)) == len(mine)

        work(house, "by-fhir", "dead", until_settled=done)
    assert ids_of([call.request.content for call in taken.calls]) == mine
    assert {each.state for each in everything(house) if each.subscription == "dead"} <= {WAITING, QUEUED}


def test_a_refused_notification_does_not_keep_back_the_next(store: Database) -> None:
    """Each notification tells the whole state of its episode: a later one makes up for it."""
    house = linked(store, subscribed(hook()), RUN, "doe")
    with respx.mock() as web:
        web.post(HOOK).mock(side_effect=itertools.chain(answering(422), itertools.repeat(httpx.Response(200))))
        work(house, "by-fhir")
    assert [each.state for each in everything(house)] == [HELD] + [DELIVERED] * (len(everything(house)) - 1)


# ── claims ─────────────────────────────────────────────────────────────────────────────────────────


def claim_as_another(house: House, *, lease: float, payload: bytes | None = None) -> str:
    """Let a worker of another process claim the first delivery, write down what it sends, and die."""
    now = START + timedelta(days=1)

    def claim(tx: Any) -> str:
        found = deliveries.claim(tx, "by-fhir", now=now, worker="ghost", lease=timedelta(seconds=lease))
        assert found is not None
        if payload is not None:
            deliveries.set_payload(tx, found.delivery.id, payload, worker="ghost")
        return found.delivery.id

    return house.database.write(claim)


def test_what_a_dead_worker_had_claimed_is_sent_when_its_lease_ends(house: House) -> None:
    house = linked(house.database, subscribed(hook()))
    written = b'{"resourceType":"Bundle","id":"as the dead worker wrote it"}'
    claim_as_another(house, lease=0.2, payload=written)
    began = time.monotonic()
    with respx.mock() as web:
        route = web.post(HOOK).mock(return_value=httpx.Response(200))
        work(house, "by-fhir")
    assert time.monotonic() - began >= 0.1, "not before the lease had ended"
    assert [call.request.content for call in route.calls] == [written]
    assert [(each.state, each.attempts) for each in everything(house)] == [(DELIVERED, 2)]


def test_what_a_living_worker_has_claimed_is_left_to_it(store: Database) -> None:
    house = linked(store, subscribed(hook()), RUN, "doe")
    claimed = claim_as_another(house, lease=house.region.settings.delivery_lease_seconds)
    with respx.mock() as web:
        route = web.post(HOOK).mock(return_value=httpx.Response(200))
        others = {each.id for each in everything(house) if each.episode != _episode_of(house, claimed)}
        work(house, "by-fhir", until_settled=lambda: len(in_state(house, DELIVERED)) == len(others))
    assert set(ids_of([call.request.content for call in route.calls])) == others


def _episode_of(house: House, delivery: str) -> str:
    return next(each.episode for each in everything(house) if each.id == delivery)


@pytest.mark.parametrize("stand_for", [0.1, None], ids=["for a moment", "all the time"])
def test_senders_that_stand_still_go_first_but_not_for_ever(store: Database, stand_for: float | None) -> None:
    """Who sends to the gateway waits for its answer, a subscriber does not: common practice, no source."""
    began: list[float] = []

    def standing() -> int:
        began.append(time.monotonic())
        return BUSY if stand_for is None or time.monotonic() - began[0] < stand_for else BUSY - 1

    async def run(house: House) -> None:
        task = asyncio.create_task(worker_of(house, "by-fhir", standing).run())
        await until(lambda: bool(route.calls), [task])
        waited.append(time.monotonic() - began[0])
        task.cancel()
        await asyncio.wait([task], timeout=20)

    waited: list[float] = []
    with respx.mock() as web:
        route = web.post(HOOK).mock(return_value=httpx.Response(200))
        asyncio.run(run(linked(store, subscribed(hook()), RUN)))
    assert waited[0] >= (GIVEN_WAY if stand_for is None else stand_for)


@pytest.mark.parametrize("runs", [(RUN,), (RUN, "stroke-1")])
def test_a_worker_that_stops_settles_what_is_in_flight_and_claims_no_more(
    store: Database, runs: tuple[str, ...]
) -> None:
    asked, answer = asyncio.Event(), asyncio.Event()

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.set()
        await answer.wait()
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")
        await writer.drain()

    async def run() -> House:
        async with awkward_http(hold) as endpoint:
            house = await asyncio.to_thread(linked, store, subscribed(hook(endpoint)), *runs)
            task = asyncio.create_task(worker_of(house, "by-fhir").run())
            await asyncio.wait_for(asked.wait(), 10)
            task.cancel()
            done, _ = await asyncio.wait([task], timeout=0.1)
            assert not done, "it waits for the answer"
            answer.set()
            await asyncio.wait([task], timeout=10)
            assert task.cancelled()
            return house

    house = asyncio.run(run())
    first, *others = [(each.state, each.attempts) for each in everything(house)]
    assert first == (DELIVERED, 1)
    assert len(others) >= len(runs) - 1
    assert set(others) <= {(QUEUED, 0)}


def written_down(house: House, number: int, payload: bytes, *, sealed: bool = True) -> None:
    """Have these bytes stand where those of a delivery would, as an earlier attempt left them."""
    (place,) = [each.id for each in everything(house) if each.number == number]

    def put(tx: Tx) -> None:
        content = tx.keys.seal(payload, place=f"deliveries:{place}") if sealed else payload
        tx.run(Statement(update(DELIVERIES).where(DELIVERIES.c.id == place).values(payload=content)))

    house.database.write(put)


def test_a_delivery_that_cannot_be_opened_is_held_and_the_one_before_is_settled_once(store: Database) -> None:
    house = linked(store, subscribed(hook()), RUN, "stroke-1")
    second = everything(house)[1].number
    written_down(house, second, b"altered", sealed=False)
    with respx.mock(assert_all_called=False) as mocked:
        route = mocked.post(HOOK).respond(200)
        work(house, "by-fhir")
        assert route.call_count == len(everything(house)) - 1
    states = {each.number: (each.state, each.reason) for each in everything(house)}
    assert states.pop(second) == (HELD, "not-readable")
    assert set(states.values()) == {(DELIVERED, None)}


def test_what_was_written_down_for_another_channel_is_held(store: Database) -> None:
    """The region file had the subscription on FHIR when a first attempt was lost, and has it on HL7 v2 now."""
    with threaded_mllp_receiver() as receiver:
        house = linked(store, subscribed(mllp(receiver.address)), RUN)
        written_down(house, everything(house)[0].number, b'{"resourceType": "Bundle"}')
        work(house, "by-hl7")
    first, *others = [(each.state, each.reason) for each in everything(house)]
    assert first == (HELD, "other-channel")
    assert set(others) <= {(DELIVERED, None)}


def test_a_worker_that_stops_does_not_wait_for_ever(store: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(working, "LAST_ATTEMPT", 0.05)
    asked = asyncio.Event()

    async def never(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.set()
        await reader.read()

    async def run() -> House:
        async with awkward_http(never) as endpoint:
            house = await asyncio.to_thread(linked, store, subscribed(hook(endpoint)))
            async with working_for(house, "by-fhir"):
                await asyncio.wait_for(asked.wait(), 10)
        return house

    house = asyncio.run(run())
    assert [each.state for each in everything(house)] == [QUEUED], "given back: the next start sends it at once"


# ── what may be told ───────────────────────────────────────────────────────────────────────────────


def test_what_may_no_longer_be_told_is_held_and_not_sent(house: House) -> None:
    """The second record under the band contradicts before the first notification has left."""
    house = linked(house.database, subscribed(hook()))
    other = edited(NEWEST, MSH_10=b"OTHER1", PID_8=b"F", PID_7=b"19991212")
    assert house.admit(other) == "AA"
    with respx.mock(assert_all_called=False) as web:
        route = web.post(HOOK)
        work(house, "by-fhir")
    assert route.call_count == 0
    assert {(each.state, each.reason) for each in everything(house)} == {(HELD, "not-entitled")}


@pytest.mark.parametrize("make", [hook, lambda: mllp("mllp://127.0.0.1:9")])
def test_a_cancelled_visit_leaves_nothing_to_tell(store: Database, make: Callable[[], Subscription]) -> None:
    house = linked(store, subscribed(make()))

    def cancel(tx: Any) -> None:
        stay = visits.find(tx, organisation="anvil-head", key="visit:A260730001", traffic=Traffic.LIVE)
        assert stay is not None
        cancelled = msgspec.structs.replace(stay.visit, state=VisitState.CANCELLED)
        visits.replace(tx, stay, cancelled, message=stay.message, event_time=stay.event_time, at=START)

    house.database.write(cancel)
    with respx.mock(assert_all_called=False):
        work(house, *house.region.subscriptions)
    assert {(each.state, each.reason) for each in everything(house)} == {(HELD, "not-entitled")}


def test_what_cannot_be_written_is_held_and_the_worker_goes_on(store: Database) -> None:
    """The region file has lost the band's scheme since: a person must mend that."""
    house = linked(store, subscribed(mllp("mllp://127.0.0.1:9")))
    house.region = dataclasses.replace(house.region, schemes=())
    work(house, "by-hl7")
    assert {(each.state, each.reason) for each in everything(house)} == {(HELD, "not-composed")}


def test_a_record_that_breaks_the_writing_stops_nobody(store: Database) -> None:
    """A mistake of ours stands in for it: the writer meets something that no rule of ours foresees."""
    house = linked(store, subscribed(hook()))
    house.region = dataclasses.replace(house.region, schemes=None)  # type: ignore[arg-type]
    with respx.mock(assert_all_called=False):
        work(house, "by-fhir")
    assert {(each.state, each.reason) for each in everything(house)} == {(HELD, "not-composed")}


# ── HL7 v2 ─────────────────────────────────────────────────────────────────────────────────────────

FOREIGN = b"NOTMINE"


def by_turns(*replies: str) -> Reply:
    """Answers of one receiver, one a message; after the last one everything is taken."""

    def reply(message: bytes, number: int) -> bytes | None:
        word = replies[number - 1] if number <= len(replies) else "AA"
        if word == "hang up":
            return None
        if word == "other id":
            return acknowledgement(message, control_id=FOREIGN)
        if word == "no frame":
            return b"HTTP/1.1 400 Bad Request\r\n\r\n" * 4000
        return b"" if word == "silence" else acknowledgement(message, word.encode())

    return reply


async def send_to(
    reply: Reply, store: Database, until_state: DeliveryState, *, timeout: float = 10
) -> tuple[House, list[bytes]]:
    async with mllp_receiver(reply) as receiver:
        house = await asyncio.to_thread(linked, store, subscribed(mllp(receiver.address, timeout=timeout)))
        async with working_for(house, "by-hl7") as tasks:
            await until(lambda: bool(in_state(house, until_state)), tasks)
        return house, receiver.messages


@pytest.mark.parametrize("code", ["AA", "CA"])
def test_an_update_is_taken(store: Database, code: str) -> None:
    house, messages = asyncio.run(send_to(by_turns(code), store, DELIVERED))
    (update,) = messages
    assert field(update, 9) == b"ADT^A31^ADT_A05"
    assert field(update, 10).decode() == everything(house)[0].id[:20]


@pytest.mark.parametrize("code", ["AE", "CE"])
def test_an_update_that_was_read_and_refused_is_held(store: Database, code: str) -> None:
    """HL7 v2 2.8.2: an error in the content; the same message would fail again."""
    house, messages = asyncio.run(send_to(by_turns(code), store, HELD))
    assert len(messages) == 1
    assert [each.reason for each in everything(house)] == [code]


@pytest.mark.parametrize("word", ["AR", "CR", "hang up", "other id", "silence", "no frame"])
def test_an_update_that_was_lost_or_put_off_is_sent_again_unchanged(store: Database, word: str) -> None:
    """HL7 v2 2.8.2: AR may be sent again; an answer to another message (MSA-2) is none."""
    patience = 0.5 if word == "silence" else 10
    house, messages = asyncio.run(send_to(by_turns(word, word), store, DELIVERED, timeout=patience))
    assert len(messages) == 3
    assert len(set(messages)) == 1
    assert [each.attempts for each in everything(house)] == [3]


def test_times_in_an_update_are_those_of_the_region(store: Database) -> None:
    """HL7 v2 2A.2.23: a time with offset; the region lies in America/Chicago, UTC-5 on that day."""
    _, (update,) = asyncio.run(send_to(by_turns(), store, DELIVERED))
    assert field(update, 7).endswith(b"-0500")
    event = next(line for line in update.split(b"\r") if line.startswith(b"EVN|"))
    assert event.split(b"|")[2].endswith(b"-0500")
    assert event.split(b"|")[6].endswith(b"-0500")


# ── the store ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("kind", ["postgres"])
def test_a_worker_outlives_an_outage_of_the_store(house: House, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server ends every connection, as on a restart; SQLite has none to lose."""
    monkeypatch.setattr(working, "LONGEST_SLEEP", 0.02)
    house = linked(house.database, subscribed(hook()))
    address = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)

    async def run() -> None:
        async with working_for(house, "by-fhir") as tasks:
            await until(lambda: bool(in_state(house, WAITING)), tasks)
            with psycopg.connect(address, autocommit=True) as connection:
                connection.execute(f"{END_ALL} AND pid <> pg_backend_pid()".encode())
            route.mock(return_value=httpx.Response(200))
            await until(lambda: _is_delivered(house), tasks)

    with respx.mock() as web:
        route = web.post(HOOK).mock(return_value=httpx.Response(503))
        asyncio.run(run())


@pytest.mark.parametrize("kind", ["postgres"])
def test_what_the_store_could_not_settle_is_sent_once_more(
    house: House, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Soon after, not when its lease ends: that would be minutes in which everything behind it waits."""
    monkeypatch.setattr(working, "LONGEST_SLEEP", 0.02)
    house = linked(house.database, subscribed(hook()))
    address = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)

    def take(request: httpx.Request) -> httpx.Response:
        if not bodies:
            with psycopg.connect(address, autocommit=True) as connection:
                connection.execute(f"{END_ALL} AND pid <> pg_backend_pid()".encode())
        bodies.append(request.content)
        return httpx.Response(200)

    async def run() -> None:
        async with working_for(house, "by-fhir") as tasks:
            await until(lambda: _is_delivered(house), tasks)

    bodies: list[bytes] = []
    with respx.mock() as web:
        web.post(HOOK).mock(side_effect=take)
        asyncio.run(run())
    assert len(bodies) == 2
    assert bodies[0] == bodies[1]


def _is_delivered(house: House) -> bool:
    try:
        return bool(in_state(house, DELIVERED))
    except StoreUnavailable:
        return False  # this test's own connection was ended too


def test_a_store_that_is_closed_ends_the_worker(store: Database) -> None:
    """Nothing limps on: the gateway stops, and whoever watches it starts it again."""
    house = linked(store, subscribed(hook()))
    worker = worker_of(house, "by-fhir")
    store.close()
    with pytest.raises(StoreUnavailable):
        asyncio.run(worker.run())


def test_every_notification_is_numbered_without_gaps(store: Database) -> None:
    house = linked(store, subscribed(hook()), RUN, "doe")
    numbers = house.database.read(lambda tx: [each.number for each in events.since(tx, "by-fhir", number=0)])
    assert numbers == list(range(1, len(numbers) + 1))
    assert numbers == [each.number for each in everything(house)]
