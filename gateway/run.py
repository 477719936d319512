"""Start everything in order, stop it in reverse; the one place where the parts are put together.

    start  region → data folder → database → intake → delivery workers → HTTP → MLLP → account → ready
    stop   MLLP and HTTP stop accepting and finish what is open → workers settle what is in flight → database → folder

Every task has a name and an owner: if one dies, the gateway stops with an error; nothing limps on.
"""

import asyncio
import contextlib
import errno
import gc
import random
import secrets
import signal
import socket
import ssl
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from gateway import __version__, logs
from gateway.data_folder import held, make_data_folder
from gateway.deliveries import DeliveryWorker
from gateway.doors.mllp import MllpDoor
from gateway.errors import GatewayFault, SenderFault, UsageFault
from gateway.intake import Intake
from gateway.logs import log
from gateway.region import Region, read_region
from gateway.schemas import load_schema
from gateway.store import deliveries
from gateway.store.database import Database
from gateway.store.transaction import Tx
from gateway.web.app import build_app
from gateway.web.sign_in import first_account

REGION_NOTE = "region"  # the file in the data folder that says which region file was served last
BACKLOG = 2048  # connections that may wait to be taken; uvicorn's own figure
GRACE = 10.0  # seconds that open messages have to finish when stopping


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """Where to serve from and how; the rest stands in the region file."""

    region: Path
    data: Path
    host: str = "127.0.0.1"
    mllp_port: int = 2575
    http_port: int = 8080
    database: str | None = None
    schemas: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


def clock() -> datetime:
    """The time now, with its zone."""
    return datetime.now(UTC)


def new_id() -> str:
    """A fresh id: the millisecond it was made in and 64 bits of chance (the idea of UUID version 7, RFC 9562).

    Ids that grow keep new rows together on disk, which halves what a message writes. 28 characters; the
    first 20 are unique enough for an HL7 v2 control id.
    """
    return f"{time.time_ns() // 1_000_000:012x}{secrets.token_hex(8)}"


async def run(options: Options, *, ready: Callable[[dict[str, str]], None], tell: Callable[[str], None]) -> None:
    """Serve until SIGTERM or SIGINT. `ready` gets the doors' addresses, `tell` what the operator must read once.

    Raises `ConfigurationFault` for a region file with mistakes, `UsageFault` for options that cannot be used or
    a folder that another gateway serves, `StoreUnavailable` for a database that cannot be opened, and whatever a
    task of ours died of.
    """
    logs.set_up()
    region = read_region(options.region)
    make_data_folder(options.data)
    is_shared = _is_shared(options.database)
    with contextlib.nullcontext() if is_shared else held(options.data), open_database(options) as database:
        (options.data / REGION_NOTE).write_text(str(options.region.resolve()), encoding="utf-8")
        if not is_shared:
            database.write(_free_left_over_claims)
        await _serve(options, region, database, ready, tell)
    log("stopped")


def _is_shared(database: str | None) -> bool:
    """Whether any number of gateways may work against it, from one folder too: PostgreSQL, but never SQLite."""
    return database is not None and database.startswith("postgresql")


def _free_left_over_claims(tx: Tx) -> None:
    """On SQLite no other process delivers, so every claim there is belongs to a worker that has died."""
    deliveries.release_expired(tx, now=datetime.max.replace(tzinfo=UTC))


@contextlib.contextmanager
def open_database(options: Options) -> Iterator[Database]:
    """Open the database of a data folder, made on first use for this user alone."""
    make_data_folder(options.data)
    url = options.database or f"sqlite:///{(options.data / 'gateway.db').resolve()}"
    database = Database.open(url, key_file=options.data / "gateway.key", now=clock())
    try:
        yield database
    finally:
        database.close()


async def _serve(
    options: Options,
    region: Region,
    database: Database,
    ready: Callable[[dict[str, str]], None],
    tell: Callable[[str], None],
) -> None:
    workers, loop, tls = _workers(region, database), asyncio.get_running_loop(), _tls(options)
    intake = Intake(
        region=region,
        database=database,
        clock=clock,
        new_id=new_id,
        schema=load_schema(options.schemas) if options.schemas else None,
        kept=lambda: _soon(loop, workers),
    )
    stop = _stop_signals()
    async with (
        _working(workers) as tasks,
        _http(build_app(intake, region, database, clock), options) as web,
        _mllp(intake, region, options, tls) as mllp,
    ):
        _make_first_account(database, tell)
        _spare_what_stays()
        ready({"admissions": mllp, "reports": f"{web}/nemsis", "web": f"{web}/", "fhir": f"{web}/fhir"})
        log("started", region=region.name, doors=2, version=__version__)
        await _until_stopped(stop, tasks)


def _make_first_account(database: Database, tell: Callable[[str], None]) -> None:
    """Tell the first password once every door is open: a start that fails before must not have spent it."""
    account = first_account(database, now=clock())
    if account is not None:
        sign_in = f"sign in to the pages as {account.name} with the password {account.password}"
        tell(f"First start: {sign_in} (told only now)")
        log("account_made", account=account.name)


def _spare_what_stays() -> None:
    """Take what the start has made out of the garbage collector's sight: it stays, and is never garbage.

    Otherwise every full collection walks through all modules again, and every sender waits meanwhile.
    """
    gc.collect()
    gc.freeze()


@contextlib.asynccontextmanager
async def _working(workers: list[DeliveryWorker]) -> AsyncIterator[list[asyncio.Task[None]]]:
    tasks = [asyncio.create_task(worker.run(), name=worker.name) for worker in workers]
    try:
        yield tasks
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _workers(region: Region, database: Database) -> list[DeliveryWorker]:
    return [
        DeliveryWorker(
            region=region,
            database=database,
            subscription=subscription,
            clock=clock,
            jitter=random.random,
            name=f"deliveries-{subscription.name}-{secrets.token_hex(4)}",
        )
        for subscription in region.subscriptions.values()
    ]


def _soon(loop: asyncio.AbstractEventLoop, workers: list[DeliveryWorker]) -> None:
    """Wake the workers that are not awake already, from whichever thread has just committed."""
    if not all(worker.woken.is_set() for worker in workers):
        loop.call_soon_threadsafe(_wake, workers)


def _wake(workers: list[DeliveryWorker]) -> None:
    for worker in workers:
        worker.woken.set()


def _stop_signals() -> asyncio.Event:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, _stop, stop, number)
    return stop


def _stop(event: asyncio.Event, number: signal.Signals) -> None:
    log("stopping", signal=number.name)
    event.set()


async def _until_stopped(stop: asyncio.Event, tasks: list[asyncio.Task[None]]) -> None:
    """Wait for the stop, or for the first task that ends though none should."""
    waiting = asyncio.create_task(stop.wait(), name="stop")
    done, _ = await asyncio.wait([waiting, *tasks], return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    for task in done - {waiting}:
        error = task.exception()
        log("worker_failed", level="error", worker=task.get_name(), error=type(error).__name__)
        raise GatewayFault(f"{task.get_name()} stopped: {type(error).__name__}") from error


@contextlib.asynccontextmanager
async def _mllp(intake: Intake, region: Region, options: Options, tls: ssl.SSLContext | None) -> AsyncIterator[str]:
    async def take(data: bytes) -> bytes:
        return await intake.admission(data, door="mllp")

    async def refuse(head: bytes, fault: SenderFault) -> bytes:
        return await intake.refuse(head, fault, door="mllp")

    door = MllpDoor(take=take, refuse=refuse, settings=region.settings)
    try:
        await door.open(options.host, options.mllp_port, tls=tls)
    except OSError as error:
        raise _cannot_listen("HL7 v2 (MLLP)", options.host, options.mllp_port, "--mllp-port", error) from error
    scheme = "mllps" if tls else "mllp"
    try:
        yield door.address.replace("mllp", scheme, 1)
    finally:
        await door.close(grace=GRACE)


@contextlib.asynccontextmanager
async def _http(app: Starlette, options: Options) -> AsyncIterator[str]:
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    try:
        listening = socket.create_server((options.host, options.http_port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise _cannot_listen("HTTP", options.host, options.http_port, "--port", error) from error
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        http="httptools",  # refuses a request with both Content-Length and Transfer-Encoding, and closes
        ws="none",
        lifespan="off",
        server_header=False,
        timeout_graceful_shutdown=int(GRACE),
        ssl_certfile=options.certificate,
        ssl_keyfile=options.key,
    )
    server = _Uvicorn(config)
    task = asyncio.create_task(server.serve(sockets=[listening]), name="http")
    while not server.started:
        if task.done():
            raise GatewayFault("the HTTP server did not start") from task.exception()
        await asyncio.sleep(0.01)
    scheme = "https" if options.certificate else "http"
    host = f"[{options.host}]" if ":" in options.host else options.host
    try:
        yield f"{scheme}://{host}:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        await task


def _cannot_listen(door: str, host: str, port: int, option: str, error: OSError) -> UsageFault:
    """What keeps a door from listening, and the option that helps."""
    where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    match error.errno:
        case errno.EADDRINUSE:
            why = f"another program listens there: stop it, or name another port with {option} (0 is any free one)"
        case errno.EACCES:
            why = f"the system does not let this user: name a port above 1023 with {option}"
        case errno.EADDRNOTAVAIL | socket.EAI_NONAME:
            why = "this machine has no such address: name one of its own with --host"
        case number:
            word = errno.errorcode.get(number or 0, type(error).__name__)
            why = f"the system refuses ({word}): look at --host and {option}"
    return UsageFault(f"the {door} door cannot listen on {where}: {why}")


class _Uvicorn(uvicorn.Server):
    """A uvicorn that leaves the signals to us."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture nothing."""
        yield


def _tls(options: Options) -> ssl.SSLContext | None:
    if options.certificate is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(options.certificate, options.key)
    except ssl.SSLError as error:
        key = options.key or options.certificate
        says = f"no certificate chain in PEM here, or {key} is not its private key without a passphrase"
        raise UsageFault(f"--certificate {options.certificate}: {says}") from error
    except OSError as error:
        missing = next((each for each in (options.certificate, options.key) if each and not each.is_file()), None)
        raise UsageFault(f"--certificate, --key: {missing or options.certificate}: cannot be read") from error
    return context
