"""Start and stop of the whole gateway, in this process: what is told, what is refused, and in which order it ends.

The order of stopping is the one that gateway/run.py lists; each line of it has a test here or beside its part.
"""

import asyncio
import gc
import os
import signal
import socket
import ssl
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.data_folder import held
from gateway.errors import ConfigurationFault, GatewayFault, StoreUnavailable, UsageFault
from gateway.mllp_client import MllpClient
from gateway.records import DeliveryState
from gateway.run import Options, new_id, open_database, run
from gateway.store import deliveries
from tests.receivers import make_certificate, mllp_receiver
from tests.wire.process import region_file, subscription
from tests.working import FIXTURES, cases, feeds

Doors = dict[str, str]
Visit = Callable[[Doors], Coroutine[Any, Any, None]]


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    """What a start sets for the whole process is set back."""
    yield
    gc.unfreeze()


def options(folder: Path, change: Callable[[dict[str, Any]], None] = lambda _: None, **more: Any) -> Options:
    values: dict[str, Any] = {"region": region_file(folder, change), "data": folder / "data"}
    return Options(**(values | {"mllp_port": 0, "http_port": 0} | more))


async def nobody(doors: Doors) -> None:
    """Ask for nothing."""


def serve(chosen: Options, visit: Visit = nobody) -> list[str]:
    """Run until `visit` is over, then stop by SIGTERM; gives back what the operator was told."""
    told: list[str] = []

    async def everything() -> None:
        loop, visits = asyncio.get_running_loop(), []

        async def stay(doors: Doors) -> None:
            try:
                await visit(doors)
            finally:
                os.kill(os.getpid(), signal.SIGTERM)

        await run(chosen, ready=lambda doors: visits.append(loop.create_task(stay(doors))), tell=told.append)
        await asyncio.gather(*visits)

    asyncio.run(asyncio.wait_for(everything(), 60))
    return told


def test_the_first_start_tells_a_password_once(tmp_path: Path) -> None:
    chosen = options(tmp_path)
    (told,) = serve(chosen)
    assert "coordinator" in told
    assert serve(chosen) == []


def test_what_the_gateway_keeps_is_its_users_alone(tmp_path: Path) -> None:
    chosen = options(tmp_path)
    serve(chosen)
    assert chosen.data.stat().st_mode & 0o777 == 0o700
    kept = list(chosen.data.glob("gateway.*"))
    assert {path.suffix for path in kept} >= {".db", ".key"}
    assert {path.stat().st_mode & 0o077 for path in kept} == {0}


@pytest.mark.parametrize(
    ("option", "door", "name"), [("mllp_port", "HL7 v2 (MLLP)", "--mllp-port"), ("http_port", "HTTP", "--port")]
)
def test_a_port_that_is_taken_is_told_with_door_address_and_remedy(
    tmp_path: Path, option: str, door: str, name: str
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UsageFault) as caught:
            serve(options(tmp_path, **{option: port}))
    assert str(caught.value) == (
        f"the {door} door cannot listen on 127.0.0.1:{port}: another program listens there: "
        f"stop it, or name another port with {name} (0 is any free one)"
    )


def test_an_address_of_another_machine_is_told_with_the_option(tmp_path: Path) -> None:
    """192.0.2.0/24 is for documentation and no machine's own (RFC 5737)."""
    with pytest.raises(UsageFault, match=r"on 192\.0\.2\.1:\d+: this machine has no such address.* --host"):
        serve(options(tmp_path, host="192.0.2.1"))


def test_a_second_gateway_on_the_folder_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    chosen = options(tmp_path)
    by_address = replace(chosen, database=f"sqlite:///{chosen.data / 'gateway.db'}")

    async def visit(doors: Doors) -> None:
        for again in (chosen, by_address):
            with pytest.raises(UsageFault, match=r"data: another gateway serves this folder .*--data"):
                await run(again, ready=lambda _: None, tell=lambda _: None)
        async with MllpClient(doors["admissions"]) as client:
            assert b"MSA|AA|" in await client.send(admission())

    serve(chosen, visit)
    serve(chosen)


def test_gateways_on_one_postgresql_may_share_a_folder(tmp_path: Path) -> None:
    """The lock guards the one writer of SQLite; PostgreSQL takes any number of gateways."""
    chosen = options(tmp_path, database="postgresql+psycopg://nobody@127.0.0.1:1/nothing")
    chosen.data.mkdir()
    with held(chosen.data), pytest.raises(StoreUnavailable):
        serve(chosen)


def test_a_folder_that_cannot_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "data").touch()
    with pytest.raises(UsageFault, match=r"data: cannot be a data folder .*--data"):
        serve(options(tmp_path))


def test_a_certificate_that_cannot_be_used_is_named_before_any_door_opens(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").touch()
    for path in (tmp_path / "empty.pem", tmp_path / "nowhere.pem"):
        with pytest.raises(UsageFault, match="--certificate") as caught:
            serve(options(tmp_path, certificate=path))
        assert str(path) in str(caught.value)


def test_a_region_with_mistakes_is_not_served(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationFault, match=r"region\.yaml"):
        serve(options(tmp_path, lambda region: region.update(time_zone="Yarrowfen/Somewhere")))


def test_both_doors_speak_tls_when_there_is_a_certificate(tmp_path: Path) -> None:
    certificate = make_certificate(tmp_path)
    trusting = ssl.create_default_context(cafile=str(certificate))

    async def visit(doors: Doors) -> None:
        assert doors["admissions"].startswith("mllps://")
        async with httpx.AsyncClient(verify=trusting, trust_env=False) as client:
            assert (await client.get(f"{doors['web']}health/ready")).json() == {"status": "pass"}
        async with MllpClient(doors["admissions"], tls=trusting) as client:
            assert b"MSA|AA|AHR000001" in await client.send(admission())

    serve(options(tmp_path, certificate=certificate), visit)


def admission() -> bytes:
    return (FIXTURES / cases()["chest-pain-1"]["files"][1]).read_bytes()


async def link_a_pair(doors: Doors) -> None:
    """Let a report and an admission in, which a subscriber will hear of."""
    name = cases()["chest-pain-1"]["files"][0]
    headers = {"Authorization": f"Bearer demo-{feeds()[name]}", "Content-Type": "application/xml"}
    async with httpx.AsyncClient(trust_env=False) as client:
        content = (FIXTURES / name).read_bytes()
        answer = await client.post(f"{doors['web']}care-reports", content=content, headers=headers)
    assert answer.status_code == 200
    async with MllpClient(doors["admissions"]) as client:
        assert b"MSA|AA|" in await client.send(admission())


def test_a_delivery_in_flight_is_settled_before_the_end(tmp_path: Path) -> None:
    async def everything() -> None:
        asked, stopping = asyncio.Event(), asyncio.Event()
        async with mllp_receiver() as receiver:

            async def arrived(message: bytes) -> None:
                asked.set()
                await stopping.wait()

            receiver.arrived = arrived
            chosen = options(tmp_path, lambda region: region.update(subscriptions=[told_by(receiver.address)]))
            doors: Doors = {}
            serving = asyncio.create_task(run(chosen, ready=doors.update, tell=lambda _: None))
            await until(lambda: bool(doors), serving)
            await link_a_pair(doors)
            await asyncio.wait_for(asked.wait(), 20)
            os.kill(os.getpid(), signal.SIGTERM)
            await until(lambda: is_closed(doors), serving)
            assert not serving.done(), "the doors are closed, and the answer is waited for"
            stopping.set()
            await asyncio.wait_for(serving, 20)
        with open_database(chosen) as database:
            (made,) = database.read(lambda tx: deliveries.in_state(tx, DeliveryState.DELIVERED))
        assert made.attempts == 1

    asyncio.run(everything())


def told_by(address: str) -> dict[str, Any]:
    return subscription("by-hl7", "anvil-head", address)


async def until(true: Callable[[], bool], serving: "asyncio.Task[None]") -> None:
    async with asyncio.timeout(20):
        while not true():
            done, _ = await asyncio.wait([serving], timeout=0.01)
            assert not done or true(), serving.exception()


def is_closed(doors: Doors) -> bool:
    host, port = doors["web"].removeprefix("http://").strip("/").split(":")
    with socket.socket() as probe:
        return probe.connect_ex((host, int(port))) != 0


def test_a_worker_that_dies_ends_the_gateway(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing limps on: whoever watches the process starts it again, or sees that it cannot start."""
    monkeypatch.delenv("NO_SUCH_SECRET", raising=False)
    header = {"name": "Authorization", "from": "env:NO_SUCH_SECRET"}
    told = subscription("by-fhir", "anvil-head", "http://127.0.0.1:9/hook", header=header)
    chosen = options(tmp_path, lambda region: region.update(subscriptions=[told]))
    with pytest.raises(GatewayFault, match="deliveries-by-fhir") as caught:
        asyncio.run(asyncio.wait_for(run(chosen, ready=lambda _: None, tell=lambda _: None), 30))
    assert isinstance(caught.value.__cause__, UsageFault)


def test_ids_are_all_different_and_grow() -> None:
    made = [new_id() for _ in range(10_000)]
    assert len(set(made)) == len({each[:20] for each in made}) == len(made), "the first 20 are an HL7 v2 control id"
    assert [each[:12] for each in made] == sorted(each[:12] for each in made)
    assert {len(each) for each in made} == {28}
