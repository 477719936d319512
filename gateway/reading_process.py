"""The reading process: the doors for HL7 v2, and the reading and mapping of what comes in.

It is started by the keeping process, as `python -m gateway.reading_process FD`, with its end of their stream
(`gateway.handing_over`). It reads the same region file, opens the doors, and ends when it is told to, or at once
when the keeping process is gone. Signals are the keeping process's affair: a terminal or a service manager sends
them to both.
"""

import asyncio
import contextlib
import gc
import os
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

import uvloop

from gateway import logs
from gateway.clock import clock, new_id
from gateway.doors.certificates import CertificateFiles, ServedCertificate
from gateway.errors import GatewayError, GatewayFault, UsageFault
from gateway.handing_over import FarKeeper, Line, NotOpened, Open, Opened, Stages, Stop, keep_for, read_for
from gateway.intake import AdmissionIntake
from gateway.keeping import Keeper
from gateway.listening import DOOR, GRACE, Port, listening, ports_of, refreshed
from gateway.records import Stage
from gateway.region import read_region

LEAVING = 5.0  # seconds that the reading process has to end, once its doors are closed


class ReadingProcess:
    """The reading process as the keeping process sees it.

    Once it is `opened`, `addresses` are those of its doors by name, and `task` must not end.
    """

    addresses: dict[str, str]
    task: asyncio.Task[None]

    def __init__(self, process: asyncio.subprocess.Process, line: Line) -> None:
        """Take what has been started."""
        self._process = process
        self._line = line
        self._is_stopping = False

    @contextlib.asynccontextmanager
    async def opened(self, wanted: Open, keeper: Keeper) -> AsyncIterator[None]:
        """Have its doors opened and keep what it hands over; at the end it finishes what is open.

        Raises `UsageFault` for a door that cannot be opened, `GatewayFault` when the process has ended.
        """
        heard: asyncio.Future[Opened | NotOpened] = asyncio.get_running_loop().create_future()
        self.task = asyncio.create_task(self._keep(keeper, heard), name="reading-process")
        try:
            self._line.send(wanted)
            self.addresses = await _addresses(heard, self.task)
            yield
        finally:
            self._is_stopping = True
            self._line.send(Stop())
            await asyncio.wait([self.task], timeout=2 * GRACE + LEAVING)

    async def _keep(self, keeper: Keeper, heard: "asyncio.Future[Opened | NotOpened]") -> None:
        """Keep what it hands over. Raises `GatewayFault` when it ends though nobody has asked it to."""
        await keep_for(self._line, keeper, heard.set_result)
        if self._is_stopping or (heard.done() and isinstance(heard.result(), NotOpened)):
            return
        status = await self._process.wait()
        how = f"killed by {signal.Signals(-status).name}" if status < 0 else f"status {status}"
        raise GatewayFault(f"the process that reads HL7 v2 has ended ({how}): start again, and look for lack of memory")

    def set_stages(self, stages: Mapping[str, Stage]) -> None:
        """Let feeds have these stages from the next message on."""
        self._line.send(Stages(dict(stages)))

    def refresh(self) -> None:
        """Let it look at its certificates now."""
        self._process.send_signal(signal.SIGHUP)


@contextlib.asynccontextmanager
async def started() -> AsyncIterator[ReadingProcess]:
    """Start the process, which then waits for what it is to serve; at the end it is gone."""
    here, there = socket.socketpair()
    with there:
        command = (sys.executable, "-m", "gateway.reading_process", str(there.fileno()))
        process = await asyncio.create_subprocess_exec(
            *command, pass_fds=(there.fileno(),), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )
    line = Line(*await asyncio.open_connection(sock=here))
    try:
        yield ReadingProcess(process, line)
    finally:
        await line.close()
        await _end(process)


async def _addresses(heard: "asyncio.Future[Opened | NotOpened]", task: asyncio.Task[None]) -> dict[str, str]:
    first: list[asyncio.Future[Any]] = [heard, task]
    await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
    if not heard.done():
        task.result()  # raises why it has ended
    said = heard.result()
    if isinstance(said, NotOpened):
        raise UsageFault(said.says)
    return said.addresses


async def _end(process: asyncio.subprocess.Process) -> None:
    """Wait until the process is gone; one that does not go is ended."""
    try:
        await asyncio.wait_for(process.wait(), LEAVING)
    except TimeoutError:
        process.kill()
        await process.wait()


def spare_what_stays() -> None:
    """Take what the start has made out of the garbage collector's sight: it stays, and is never garbage.

    Otherwise every full collection walks through all modules again, and every sender waits meanwhile.
    """
    gc.collect()
    gc.freeze()


# ── in the reading process ─────────────────────────────────────────────────────────────────────────


async def _read(connected: socket.socket) -> None:
    line = Line(*await asyncio.open_connection(sock=connected))
    things = line.things()
    wanted = await anext(things, None)
    if not isinstance(wanted, Open):
        return  # the keeping process is gone, or could not begin
    stop = asyncio.Event()
    try:
        region = read_region(Path(wanted.region))
        for name, stage in wanted.stages.items():
            region.set_stage(name, stage)
        keeper = FarKeeper(line)
        hearing = asyncio.create_task(read_for(things, keeper, set_stage=region.set_stage, stop=stop.set))
        hearing.add_done_callback(_leave_at_once)
        ports = ports_of(region, _first_port(wanted))
        async with (
            listening(ports, AdmissionIntake(region, keeper, clock, new_id), region) as (addresses, listeners),
            refreshed({port.certificate for port in ports if port.certificate}) as refreshing,
        ):
            spare_what_stays()
            line.send(Opened(addresses))
            await _until(stop, [*listeners, *refreshing])
    except GatewayError as error:
        line.send(NotOpened(str(error)))
    await line.close()


def _leave_at_once(hearing: asyncio.Task[None]) -> None:
    """The keeping process is gone: what became of the messages at hand nobody knows, so nobody may answer them."""
    if not hearing.cancelled():
        os._exit(os.EX_OK)


def _first_port(wanted: Open) -> Port:
    certificate = None
    if wanted.certificate is not None:
        files = CertificateFiles(certificate=Path(wanted.certificate), key=Path(wanted.key) if wanted.key else None)
        certificate = ServedCertificate("--certificate, --key", files)
    return Port(DOOR, wanted.host, wanted.port, "HL7 v2 (MLLP)", "--mllp-port", certificate)


async def _until(stop: asyncio.Event, tasks: list[asyncio.Task[None]]) -> None:
    """Wait for the stop, or for a task that ends though none should: then this process ends, and all with it."""
    waiting = asyncio.create_task(stop.wait(), name="stop")
    done, _ = await asyncio.wait([waiting, *tasks], return_when=asyncio.FIRST_COMPLETED)
    for task in done - {waiting}:
        error = task.exception()
        logs.log("worker_failed", level="error", worker=task.get_name(), error=type(error).__name__)


def main(descriptor: int) -> None:
    """Be the reading process at the other end of an inherited socket."""
    logs.set_up()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        runner.run(_read(socket.socket(fileno=descriptor)))


if __name__ == "__main__":
    main(int(sys.argv[1]))
