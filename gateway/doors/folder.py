"""The door for files: a watched folder, where an agency or hospital drops its exports.

    look → wait until a file has not changed for a while → take it → through the house → done or refused, with a result

* A file is taken whole and alone, the oldest first. While one is worked on the next ones wait, so memory stays
  bounded however many there are.
* What was kept of a file when something stopped us is known again when the file is taken again: intake recognises
  a message that came before. So a file is worked on at least once, and counts once.
* A fault of the store leaves the file where it is, and the next look takes it again. Where the file is settled but
  could not be put away, only that is done again. Where the mistake is ours, the next start takes it again.
* The name of a file may be a patient's: it is never logged.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO, NamedTuple

from gateway.adapters.er7_files import messages_in
from gateway.doors.folder_files import DONE, REFUSED, FolderClosed, Seen, WatchedFolder, opened, reason_of
from gateway.doors.folder_results import (
    FileOutcome,
    FileResult,
    Item,
    document_of,
    finding_of,
    result_of,
    result_of_fault,
    unreadable,
)
from gateway.errors import GatewayFault, SenderFault
from gateway.intake import Intake
from gateway.logs import log
from gateway.mapping.rules import Kind
from gateway.region import Feed, Region
from gateway.report_intake import InvalidReport

DOOR = "folder"
TOGETHER, TOGETHER_BYTES = (
    8,
    1024 * 1024,
)  # admission messages of a file that are read at once; other doors wait so long


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderState:
    """What is known of a watched folder since its last look; `closed` says why it cannot be worked in.

    `waiting` are files that are not taken yet, `stuck` those that a mistake of ours keeps from being settled.
    """

    feed: str
    path: str
    closed: str = ""
    waiting: int = 0
    refused: int = 0
    stuck: int = 0
    looked: datetime | None = None
    taken: datetime | None = None


class Settling:
    """Tells which files have stayed the same for long enough; remembers what the last look found, and no more."""

    def __init__(self, wait: timedelta) -> None:
        self._wait = wait
        self._since: dict[Seen, datetime] = {}

    def ripe(self, found: Sequence[Seen], now: datetime) -> list[Seen]:
        """Give back those found that have been the same for so long; a clock that is set back costs only time."""
        self._since = {seen: min(self._since.get(seen, now), now) for seen in found}
        return [seen for seen in found if now - self._since[seen] >= self._wait]


class _Settled(NamedTuple):
    """Where a file goes, and what is written beside it."""

    where: str
    document: bytes


class FolderDoor:
    """Watches the folder of one feed; `look` is one round of work, `run` one after the other."""

    def __init__(self, feed: str, path: Path, intake: Intake) -> None:
        """Take the feed by its name: its stage may change while the folder is watched."""
        settings = intake.region.settings
        self.name = f"folder-{feed}"
        self.state = FolderState(feed=feed, path=str(path))
        self._path = path
        self._region = intake.region
        self._intake = _for_large_files(intake)
        self._every = settings.folder_scan_seconds
        self._dropped = Settling(timedelta(seconds=settings.folder_settle_seconds))
        self._left = Settling(timedelta(seconds=settings.folder_settle_seconds))
        self._settled: dict[Seen, _Settled] = {}
        self._stuck: set[Seen] = set()

    async def run(self) -> None:
        """Look again and again; ends only when it is cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(self._every)

    async def look(self) -> None:
        """Look through the folder once and take what is ripe. Never raises for what stands or lacks there."""
        try:
            async with _opened(self._path) as folder:
                await self._round(folder)
        except FolderClosed as fault:
            self._note_closed(str(fault))
        except GatewayFault as fault:
            log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
        except OSError as error:
            self._note_closed(reason_of(error))
        else:
            if self.state.closed:
                log("folder_open", feed=self.state.feed)
            self.state = replace(self.state, closed="")

    async def _round(self, folder: WatchedFolder) -> None:
        now = self._intake.clock()
        left, dropped, refused = await asyncio.to_thread(_list, folder)
        self.state = replace(
            self.state, waiting=len(left) + len(dropped), refused=refused, stuck=len(self._stuck), looked=now
        )
        dropped_ripe = self._dropped.ripe(dropped, now)
        for seen in self._left.ripe(left, now):
            await self._work(folder, seen)
        for seen in dropped_ripe:
            if await asyncio.to_thread(folder.take, seen):
                await self._work(folder, seen)

    async def _work(self, folder: WatchedFolder, seen: Seen) -> None:
        """Settle one file that was taken, and put it away."""
        if seen in self._stuck:
            return
        if seen not in self._settled:
            settled = await self._settle(folder, seen)
            if settled is None or await asyncio.to_thread(folder.has_changed, seen):
                return  # what somebody still writes to is taken again when it has come to rest
            self._settled[seen] = settled
        where, document = self._settled[seen]
        await asyncio.to_thread(folder.put_away, seen, where, document)
        del self._settled[seen]
        refused = self.state.refused + (where == REFUSED)
        self.state = replace(self.state, waiting=self.state.waiting - 1, refused=refused, taken=self._intake.clock())

    async def _settle(self, folder: WatchedFolder, seen: Seen) -> _Settled | None:
        """Take a file through the house; None where a mistake of ours kept it from being settled."""
        feed, taken = self._region.feeds[self.state.feed], self._intake.clock()
        try:
            result = await self._take(folder, seen, feed)
        except (GatewayFault, OSError):
            raise
        except Exception as error:  # noqa: BLE001  one file we cannot work on must not keep the others waiting
            log("request_failed", level="error", error=type(error).__name__)
            self._stuck.add(seen)
            return None
        took = round((self._intake.clock() - taken).total_seconds() * 1000, 1)
        findings = len(result.findings) + sum(len(item.findings) for item in result.items)
        log(
            "file_taken",
            feed=feed.name,
            outcome=result.outcome.value,
            records=len(result.items),
            findings=findings,
            milliseconds=took,
        )
        document = document_of(result, name=seen.name, feed=feed.name, stage=feed.stage, taken=taken)
        return _Settled(DONE if result.outcome is FileOutcome.KEPT else REFUSED, document)

    async def _take(self, folder: WatchedFolder, seen: Seen, feed: Feed) -> FileResult:
        try:
            file = await asyncio.to_thread(folder.read, seen)
        except PermissionError as error:
            return unreadable(reason_of(error))
        with file:
            return await (self._reports(file, feed) if feed.kind is Kind.CARE_REPORTS else self._admissions(file, feed))

    async def _reports(self, file: BinaryIO, feed: Feed) -> FileResult:
        try:
            kept = await self._intake.care_reports(file, feed, door=DOOR)
        except InvalidReport as fault:
            return result_of_fault(fault, fault.findings)
        except SenderFault as fault:
            return result_of_fault(fault)
        return result_of([Item(each.name, each.outcome.value, each.findings) for each in kept], "care report")

    async def _admissions(self, file: BinaryIO, feed: Feed) -> FileResult:
        items: list[Item] = []
        batches = _batches(messages_in(file, limit=self._region.settings.mllp_frame_bytes))
        try:
            while batch := await asyncio.to_thread(next, batches, None):
                taken = await asyncio.gather(*(self._admission(data, feed) for data in batch), return_exceptions=True)
                for each in taken:
                    if isinstance(each, BaseException):
                        raise each
                    items.append(each)
        except SenderFault as fault:
            items.append(Item("", "refused", (finding_of(fault),), is_refused=True))
        return result_of(items, "admission message")

    async def _admission(self, data: bytes, feed: Feed) -> Item:
        try:
            kept = await self._intake.admission_kept(data, feed, door=DOOR)
        except SenderFault as fault:
            return Item("", "refused", (finding_of(fault),), is_refused=True)
        return Item(kept.name, kept.outcome.value, kept.findings)

    def _note_closed(self, why: str) -> None:
        """Tell once why the folder cannot be worked in, and not again at every look."""
        if why != self.state.closed:
            log("folder_closed", level="warning", feed=self.state.feed, folder=self.state.path, why=why)
        self.state = replace(self.state, closed=why, looked=self._intake.clock())


def folder_doors(region: Region, intake: Intake) -> list[FolderDoor]:
    """Give back a door for each feed that has a folder."""
    return [FolderDoor(feed.name, feed.folder, intake) for feed in region.feeds.values() if feed.folder is not None]


@contextlib.asynccontextmanager
async def _opened(path: Path) -> AsyncIterator[WatchedFolder]:
    """Open a folder on another thread: one on a network may take its time. Raises `FolderClosed`."""
    held = opened(path)
    folder = await asyncio.to_thread(held.__enter__)
    try:
        yield folder
    finally:
        await asyncio.to_thread(held.__exit__, None, None, None)


def _list(folder: WatchedFolder) -> tuple[list[Seen], list[Seen], int]:
    return folder.left_over(), folder.waiting(), folder.refused()


def _for_large_files(intake: Intake) -> Intake:
    """The same intake with the folder's own limit: a nightly export is larger than what is sent over a network."""
    settings = intake.region.settings
    larger = settings.model_copy(update={"care_report_bytes": settings.folder_file_bytes})
    return replace(intake, region=replace(intake.region, settings=larger))


def _batches(messages: Iterator[bytes]) -> Iterator[list[bytes]]:
    """Messages a few at a time, and large ones fewer; what came before a fault is given back before it is raised."""
    batch: list[bytes] = []
    try:
        for message in messages:
            batch.append(message)
            if len(batch) == TOGETHER or sum(map(len, batch)) > TOGETHER_BYTES:
                yield batch
                batch = []
    except SenderFault:
        if batch:
            yield batch
        raise
    if batch:
        yield batch
