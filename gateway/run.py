"""Start everything in order, stop it in reverse; the one place where the parts are put together.

    start  region → data folder → reading process → database → stages → delivery workers → HTTP → MLLP → folders →
           account → ready
    stop   folders, MLLP and HTTP stop accepting and finish what is open → workers settle what is in flight → database
           → data folder

Every task has a name and an owner: if one dies, the gateway stops with an error; nothing limps on.
"""

import asyncio
import contextlib
import random
import secrets
import signal
import socket
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette

from gateway import __version__, logs
from gateway.checking import Checks
from gateway.clock import clock, new_id
from gateway.data_folder import held, make_data_folder, note
from gateway.deliveries import DeliveryWorker
from gateway.doors.certificates import CertificateFiles, ServedCertificate
from gateway.doors.folder import FolderDoor, folder_doors
from gateway.doors.http_connections import limited_http
from gateway.doors.rates import buckets
from gateway.doors.report_service import ReportService
from gateway.doors.service_accounts import ServiceAccounts
from gateway.errors import GatewayFault
from gateway.handing_over import Open
from gateway.intake import Intake
from gateway.judging import Judge
from gateway.keeping import Keeping, Standing
from gateway.listening import DOOR, cannot_listen, in_clear, refreshed
from gateway.logs import log
from gateway.passwords import Attempts, Passwords
from gateway.reading_process import ReadingProcess, spare_what_stays, started
from gateway.region import Region, read_region
from gateway.schemas import Schemas, load_schema
from gateway.settings import Settings
from gateway.stages import keep_up, note_and_take_up
from gateway.store import deliveries, submissions
from gateway.store.database import Database
from gateway.store.transaction import Tx
from gateway.submissions import Submissions
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


async def run(options: Options, *, ready: Callable[[dict[str, Any]], None], tell: Callable[[str], None]) -> None:
    """Serve until SIGTERM or SIGINT. `ready` gets the doors' addresses, `tell` what the operator must read once.

    Raises `ConfigurationFault` for a region file with mistakes, `UsageFault` for options that cannot be used or
    a folder that another gateway serves, `StoreUnavailable` for a database that cannot be opened, and whatever a
    task of ours died of.
    """
    logs.set_up()
    region = read_region(options.region)
    make_data_folder(options.data)
    is_shared = _is_shared(options.database)
    with contextlib.nullcontext() if is_shared else held(options.data):
        async with started() as reading:
            with open_database(options) as database:
                note(options.data, REGION_NOTE, str(options.region.resolve()))
                if not is_shared:
                    database.write(_free_left_over_claims)
                given = load_schema(options.schemas) if options.schemas else None
                with Checks(Schemas(options.data), given=given) as checks:
                    await _serve(options, region, database, checks, reading, ready=ready, tell=tell)
    log("stopped")


def _is_shared(database: str | None) -> bool:
    """Whether any number of gateways may work against it, from one folder too: PostgreSQL, but never SQLite."""
    return database is not None and database.startswith("postgresql")


def _free_left_over_claims(tx: Tx) -> None:
    """On SQLite no other process delivers, so every claim there is belongs to a worker that has died."""
    deliveries.release_expired(tx, now=datetime.max.replace(tzinfo=UTC))
    submissions.release_all(tx)


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
    checks: Checks,
    reading: ReadingProcess,
    *,
    ready: Callable[[dict[str, Any]], None],
    tell: Callable[[str], None],
) -> None:
    await asyncio.to_thread(note_and_take_up, region, database, clock)
    standing, loop, certificate = Standing(), asyncio.get_running_loop(), _certificate(options)
    workers = _workers(region, database, standing)
    keeping = Keeping(region, database, new_id, lambda: _soon(loop, workers), standing)
    schema = load_schema(options.schemas) if options.schemas else None
    intake = Intake(region, keeping, clock, schema)
    service = _report_service(intake, checks)
    stop, is_open, folders = _stop_signals(), asyncio.Event(), folder_doors(region, intake)
    app = build_app(
        intake,
        region,
        database,
        clock,
        is_open=is_open.is_set,
        folders=lambda: [door.state for door in folders],
        service=service,
    )
    works = {worker.name: worker.run() for worker in workers}
    async with (
        _running({**works, "submissions": service.submissions.run()}) as tasks,
        _http(app, options, certificate, region.settings) as web,
        reading.opened(_for_reading(options, region), keeping),
        _running({"stages": keep_up(region, database, tell=reading.set_stages)}) as following,
        refreshed([certificate] if certificate else [], tell=reading.refresh) as refreshing,
        _running({door.name: door.run() for door in folders}) as watching,
    ):
        for line in in_clear(region):
            tell(line)
        _make_first_account(database, tell)
        spare_what_stays()
        doors = {
            "admissions": reading.addresses[DOOR],
            "reports": f"{web}/nemsis",
            "web": f"{web}/",
            "fhir": f"{web}/fhir",
        }
        with _open(is_open):
            ready({**doors, **_listeners_of(reading.addresses), **_folders_of(folders)})
            log("started", region=region.name, doors=1 + len(reading.addresses) + len(folders), version=__version__)
            await _until_stopped(stop, [*tasks, *watching, reading.task, *following, *refreshing])


def _report_service(intake: Intake, checks: Checks) -> ReportService:
    region, database = intake.region, intake.keeping.database
    judge = Judge(database=database, reports=intake.reports, check=checks.check, clock=clock)
    taking = Submissions(
        region=region,
        database=database,
        judge=judge,
        clock=clock,
        new_id=new_id,
        holder=f"submissions-{secrets.token_hex(4)}",
    )
    accounts = ServiceAccounts(region, Passwords(), Attempts(region.settings.sign_in_attempts), clock)
    return ReportService(region, taking, accounts, buckets(region.settings.feed_requests_per_second))


def _make_first_account(database: Database, tell: Callable[[str], None]) -> None:
    """Tell the first password once every door is open: a start that fails before must not have spent it."""
    account = first_account(database, now=clock())
    if account is not None:
        sign_in = f"sign in to the pages as {account.name} with the password {account.password}"
        tell(f"First start: {sign_in} (told only now)")
        log("account_made", account=account.name)


@contextlib.contextmanager
def _open(is_open: asyncio.Event) -> Iterator[None]:
    """Say that every door is open, until they are about to be closed."""
    is_open.set()
    try:
        yield
    finally:
        is_open.clear()


def _listeners_of(addresses: Mapping[str, str]) -> dict[str, object]:
    """The addresses of the listeners by their names, for the ready line; a region without any has no such door."""
    found = {door.removeprefix(f"{DOOR}-"): address for door, address in addresses.items() if door != DOOR}
    return {"listeners": found} if found else {}


def _folders_of(folders: Sequence[FolderDoor]) -> dict[str, Any]:
    """The watched folders by their feeds, for the ready line; a region without any has no such door."""
    return {"folders": {door.state.feed: door.state.path for door in folders}} if folders else {}


@contextlib.asynccontextmanager
async def _running(works: Mapping[str, Coroutine[Any, Any, None]]) -> AsyncIterator[list[asyncio.Task[None]]]:
    """Run works that never end by themselves, each under its name, until the end of the block."""
    tasks = [asyncio.create_task(work, name=name) for name, work in works.items()]
    try:
        yield tasks
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _workers(region: Region, database: Database, standing: Standing) -> list[DeliveryWorker]:
    return [
        DeliveryWorker(
            region=region,
            database=database,
            subscription=subscription,
            clock=clock,
            jitter=random.random,
            name=f"deliveries-{subscription.name}-{secrets.token_hex(4)}",
            standing=lambda: standing.number,
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
        if isinstance(error, GatewayFault):
            raise error
        raise GatewayFault(f"{task.get_name()} stopped: {type(error).__name__}") from error


def _for_reading(options: Options, region: Region) -> Open:
    return Open(
        region=str(options.region.resolve()),
        stages={name: feed.stage for name, feed in region.feeds.items()},
        host=options.host,
        port=options.mllp_port,
        certificate=str(options.certificate.resolve()) if options.certificate else None,
        key=str(options.key.resolve()) if options.key else None,
    )


def _certificate(options: Options) -> ServedCertificate | None:
    if options.certificate is None:
        return None
    return ServedCertificate("--certificate, --key", CertificateFiles(certificate=options.certificate, key=options.key))


@contextlib.asynccontextmanager
async def _http(
    app: Starlette, options: Options, certificate: ServedCertificate | None, settings: Settings
) -> AsyncIterator[str]:
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    try:
        listening = socket.create_server((options.host, options.http_port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise cannot_listen("HTTP", options.host, options.http_port, "--port", error) from error
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        http=limited_http(settings),  # httptools: refuses both Content-Length and Transfer-Encoding, and closes
        ws="none",
        lifespan="off",
        server_header=False,
        timeout_graceful_shutdown=int(GRACE),
    )
    config.load()
    config.ssl = certificate.context if certificate else None
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


class _Uvicorn(uvicorn.Server):
    """A uvicorn that leaves the signals to us."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture nothing."""
        yield
