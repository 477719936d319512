"""The MLLP doors of a region: the one of `serve`, and the listeners of region.yaml, under one set of limits.

They open in the order in which they stand there, or none does. Certificates are looked at every few seconds, and
at once on SIGHUP; a door that dies is told by its task.
"""

import asyncio
import contextlib
import errno
import signal
import socket
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from typing import NamedTuple

from gateway.adapters.mllp import FrameEnd
from gateway.doors.admission_desk import AdmissionDesk, caller_of
from gateway.doors.capacity import Capacity
from gateway.doors.certificates import Callers, CertificateFiles, ServedCertificate
from gateway.doors.mllp import MllpDoor
from gateway.errors import UsageFault
from gateway.intake import AdmissionIntake
from gateway.region import Listener, Region
from gateway.region_mistakes import LOOPBACK

LOOK_EVERY = 10.0  # seconds between two looks at the files of certificates
DOOR = "mllp"  # what messages of the door of `serve` are marked with; for those of a listener see `Listener.door`
GRACE = 10.0  # seconds that open messages have to finish when stopping


class Port(NamedTuple):
    """Where a door listens, and what to say when it cannot: which door, and where its port is chosen."""

    door: str
    host: str
    port: int
    says: str
    option: str
    certificate: ServedCertificate | None = None
    feed: str | None = None
    frame_end: FrameEnd = FrameEnd.ANY


def ports_of(region: Region, first: Port) -> list[Port]:
    """Give back the port of `serve` and those of the listeners. Raises `UsageFault` for unusable certificates."""
    return [first, *map(_port_of, region.listeners)]


def in_clear(region: Region) -> list[str]:
    """Say which listeners would let patients' data cross a network unencrypted."""
    return [
        f"listener {each.name} on {each.host} without tls: patients' data would cross the network in clear"
        for each in region.listeners
        if each.tls is None and each.host not in LOOPBACK
    ]


@contextlib.asynccontextmanager
async def listening(
    ports: Sequence[Port], admissions: AdmissionIntake, region: Region
) -> AsyncIterator[tuple[dict[str, str], list[asyncio.Task[None]]]]:
    """Open every door; gives their addresses by door, and the tasks that must not end.

    Raises `UsageFault` for a port that cannot be listened on; those that were opened are closed again.
    """
    capacity = Capacity(region.settings)
    async with contextlib.AsyncExitStack() as doors:
        opened = {
            each.door: await doors.enter_async_context(_open(each, admissions, region, capacity)) for each in ports
        }
        yield {name: door.address for name, door in opened.items()}, [door.task for door in opened.values()]


@contextlib.asynccontextmanager
async def refreshed(
    certificates: Iterable[ServedCertificate], *, tell: Callable[[], None] = lambda: None
) -> AsyncIterator[list[asyncio.Task[None]]]:
    """Look after the certificates, at once on SIGHUP, which `tell` passes on; gives the task that must not end."""
    loop, asked = asyncio.get_running_loop(), asyncio.Event()
    loop.add_signal_handler(signal.SIGHUP, asked.set)
    task = asyncio.create_task(_refresh(list(certificates), asked, tell), name="certificates")
    try:
        yield [task]
    finally:
        loop.remove_signal_handler(signal.SIGHUP)
        task.cancel()
        await asyncio.wait([task])


async def _refresh(certificates: Sequence[ServedCertificate], asked: asyncio.Event, tell: Callable[[], None]) -> None:
    while True:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asked.wait(), LOOK_EVERY)
        if asked.is_set():
            tell()
        asked.clear()
        for each in certificates:
            each.refresh()


@contextlib.asynccontextmanager
async def _open(port: Port, admissions: AdmissionIntake, region: Region, capacity: Capacity) -> AsyncIterator[MllpDoor]:
    door = MllpDoor(
        receive=lambda peer: AdmissionDesk(admissions, caller_of(peer, region, door=port.door, port_feed=port.feed)),
        settings=region.settings,
        capacity=capacity,
        name=port.door,
        frame_end=port.frame_end,
    )
    certificate = port.certificate
    try:
        await door.open(port.host, port.port, tls=(lambda: certificate.context) if certificate else None)
    except OSError as error:
        raise cannot_listen(port.says, port.host, port.port, port.option, error) from error
    try:
        yield door
    finally:
        await door.close(grace=GRACE)


def _port_of(listener: Listener) -> Port:
    certificate = None
    if listener.tls is not None:
        files = CertificateFiles(
            certificate=listener.tls.certificate,
            key=listener.tls.key,
            client_issuers=listener.tls.client_issuers,
            callers=Callers(listener.tls.client_certificates) if listener.tls.client_issuers else Callers.NOT_ASKED,
        )
        certificate = ServedCertificate(f"listener {listener.name}", files)
    says, option = f"listener {listener.name}", f"port of the listener {listener.name} in region.yaml"
    return Port(
        listener.door, listener.host, listener.port, says, option, certificate, listener.feed, listener.frame_end
    )


def cannot_listen(door: str, host: str, port: int, option: str, error: OSError) -> UsageFault:
    """Give back what keeps a door from listening, and the option that helps."""
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
