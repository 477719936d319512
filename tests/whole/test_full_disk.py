"""A full disk: senders are told to try again, nothing acknowledged is lost, and with room again all goes on.

Two ways to run out of room, both with the real process while everybody sends. A limit on the size of its files makes
a write fail in the middle (setrlimit(2), RLIMIT_FSIZE). A small file system that something else fills up makes it
fail for want of space (ENOSPC); it is mounted in a name space of the process, which needs no root where the kernel
lets a user have one (unshare(1)).
"""

import asyncio
import errno
import os
import random
import resource
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.errors import StoreUnavailable, UsageFault
from tests.bench.traffic import Run, fresh_cases
from tests.receivers import threaded_mllp_receiver
from tests.whole.reckoning import (
    arrived_by_mllp,
    check_deliveries,
    check_effects,
    check_file,
    check_links,
    check_messages,
    unsettled,
)
from tests.whole.senders import Book, streaming
from tests.wire.process import Gateway, region_file, running, subscription
from tests.wire.waiting import until
from tests.working import Case

MB = 1 << 20
TIMES = 3  # that the disk is full
SENDERS = 4
PUT_OFF, TAKEN = 8, 40  # messages, before the disk has room again, and before it is full again
LIMIT = 30.0  # seconds for either
QUICK = {"delivery_first_wait_seconds": 0.05, "delivery_longest_wait_seconds": 0.5}
MOUNTED = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c"]
MOUNT = 'mount -t tmpfs -o size=128m none "$0" && exec "$@"'


class SmallFiles:
    """No file may grow beyond the size that the log of the database has now."""

    def __init__(self, gateway: Gateway) -> None:
        self._gateway = gateway

    def seen(self) -> Gateway:
        """The gateway, to look into its store."""
        return self._gateway

    def fill(self) -> None:
        self.limit((self._gateway.data / "gateway.db-wal").stat().st_size)

    def clear(self) -> None:
        self.limit(resource.RLIM_INFINITY)

    def limit(self, size: int) -> None:
        assert self._gateway.process is not None
        resource.prlimit(self._gateway.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


class SmallDisk:
    """A file system that something else fills up to its last byte; it is there only while the process lives."""

    def __init__(self, gateway: Gateway) -> None:
        assert gateway.process is not None
        self._gateway = gateway
        self._folder = Path(f"/proc/{gateway.process.pid}/root{gateway.data}")
        self._ballast = self._folder / "ballast"

    def seen(self) -> Gateway:
        """The gateway with a copy of its data, whole when nobody writes: SQLite finds no way into other name spaces."""
        copy = self._gateway.data.parent / "copy"
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(self._folder, copy, ignore=shutil.ignore_patterns("*-shm"))
        return replace(self._gateway, data=copy)

    def fill(self) -> None:
        with pytest.raises(OSError, match=os.strerror(errno.ENOSPC)):
            self._write_on()

    def _write_on(self) -> None:
        with self._ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))

    def clear(self) -> None:
        self._ballast.unlink()


def mounts() -> bool:
    """Whether a user may mount a file system for a process of his own here."""
    try:
        done = subprocess.run([*MOUNTED, MOUNT, "/mnt", "true"], capture_output=True, check=False, timeout=10)
    except FileNotFoundError:
        return False
    return done.returncode == 0


DISKS: list[Any] = [
    pytest.param(SmallFiles, [], id="file-size-limit"),
    pytest.param(
        SmallDisk,
        [*MOUNTED, MOUNT],
        id="small-file-system",
        marks=pytest.mark.skipif(
            not mounts(), reason="no user name spaces here (unshare --user --mount): only the limit on files is tried"
        ),
    ),
]


@pytest.mark.parametrize(("disk", "around"), DISKS)
def test_a_full_disk_puts_senders_off_and_costs_nothing(
    tmp_path: Path, disk: Callable[[Gateway], SmallFiles | SmallDisk], around: list[str]
) -> None:
    cases: list[Case] = []
    with threaded_mllp_receiver() as receiver:

        def subscribe(region: dict[str, Any]) -> None:
            region["subscriptions"] = [subscription("by-hl7", "anvil-head", receiver.address)]
            region["settings"] = QUICK

        data = tmp_path / "data"
        data.mkdir()
        gateway = Gateway(region_file(tmp_path, subscribe), data, around=[*around, str(data)] if around else [])
        gateway.start()
        try:
            room = disk(gateway)
            book = asyncio.run(_stream(gateway, room, _runs(cases)))
            print(f"{len(book.runs)} runs, {len(book.left)} messages, {book.put_off} put off")
            assert httpx.get(f"{gateway.web}/health/ready", trust_env=False).json() == {"status": "pass"}
            until(lambda: _is_settled(room), "the deliveries")
            arrived = {"by-hl7": arrived_by_mllp(receiver.messages)}
            seen = room.seen()
            check_file(seen)
            seen.read(lambda tx: check_messages(tx, book))
            seen.read(check_effects)
            seen.read(lambda tx: check_links(tx, cases))
            seen.read(lambda tx: check_deliveries(tx, arrived))
            assert '"store_failed"' in gateway.log()
            assert "Traceback" not in gateway.log()
        finally:
            assert gateway.stop() == 0


async def _stream(gateway: Gateway, disk: SmallFiles | SmallDisk, runs: Iterator[Run]) -> Book:
    """Fill the disk and clear it while the senders stream."""
    up = asyncio.Event()
    up.set()
    async with streaming(gateway, runs, up, random.Random(0), senders=SENDERS) as book:
        for _ in range(TIMES):
            await _more(lambda: len(book.answers), TAKEN)
            disk.fill()
            await _more(lambda: book.put_off, PUT_OFF)
            disk.clear()
        await _more(lambda: len(book.answers), TAKEN)
    return book


async def _more(count: Callable[[], int], number: int) -> None:
    """Wait until there are so many more."""
    enough = count() + number
    async with asyncio.timeout(LIMIT):
        while count() < enough:
            await asyncio.sleep(0.01)


def _is_settled(disk: SmallFiles | SmallDisk) -> bool:
    try:
        return bool(disk.seen().read(unsettled) == 0)
    except (StoreUnavailable, UsageFault):
        return False  # somebody wrote while it was copied


def _runs(cases: list[Case]) -> Iterator[Run]:
    for case, run in fresh_cases():
        cases.append(case)
        yield run


def test_a_large_payload_that_finds_no_room_is_put_off(tmp_path: Path) -> None:
    """It waits in a temporary file until all of it is there; RFC 9110, 15.6.4 (503) and 10.2.3 (Retry-After)."""
    report = next(fresh_cases())[1]
    large = report.report + b"<!--" + b"x" * 3 * MB + b"-->"
    headers = {"Authorization": f"Bearer demo-{report.feed}", "Content-Type": "application/xml"}
    with running(tmp_path) as gateway:
        disk = SmallFiles(gateway)
        disk.limit(MB)
        refused = httpx.post(f"{gateway.web}/care-reports", content=large, headers=headers, trust_env=False)
        assert (refused.status_code, "retry-after" in refused.headers) == (503, True)
        disk.clear()
        taken = httpx.post(f"{gateway.web}/care-reports", content=large, headers=headers, trust_env=False)
        assert taken.status_code == 200
        assert "Traceback" not in gateway.log()
