"""Submissions to the report web service: answered at once where that is quick, and in any case finished.

    payload → small: judged while the client waits → its code, and a row for RetrieveStatus
            → large, or slow: kept in pieces, a row that waits → 0 or 10; a worker judges it → its code in the row

* What was answered with 0 or 10 is finished, whatever is killed: the payload and the row are committed before.
* A submission is claimed by a lease that is renewed while it is worked on; with several gateways on one database each
  is worked on by one. Judging twice does no harm: reports that are there already say nothing new.
* A fault of ours is a code too (-20, -21, -22): the client sends it again, and what was kept already says nothing new.
  One that stops what waits is met again at the next try, and told when it has come too often.
"""

import asyncio
import contextlib
import tempfile
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from io import BytesIO
from itertools import count
from typing import Any, BinaryIO, NamedTuple

from gateway.adapters.report_service import Status, SubmitReport, write_report
from gateway.errors import GatewayFault, StoreUnavailable
from gateway.handles import NOBODY, SealedAnswer, is_stored, open_sealed, seal
from gateway.judging import Judge, Submitted, Verdict
from gateway.logs import log
from gateway.region import Feed, Region
from gateway.report_intake import put_pieces
from gateway.store import pieces, submissions
from gateway.store.database import Database
from gateway.store.submissions import Submission
from gateway.store.transaction import Tx

LEASE = timedelta(minutes=2)
TRIES = 10  # at a submission that one fault of ours keeps from its verdict, a lease apart: then the client is told
TURNS = 8  # submissions judged at once; the rest of this machine is for others
BUSY = 64  # submissions that wait for their turn; who asks for the limit then is told to come later
LOOK_EVERY = 30.0  # seconds between two looks for what another process has left behind
KEEP_HOUSE_EVERY = timedelta(hours=1)
LEFT_OVER = timedelta(days=1)  # pieces that belong to nothing after so long never will
IN_MEMORY = 1024 * 1024  # a larger payload waits in a temporary file while it is worked on

#: What a fault of ours is called in the answer.
FAULTS = {
    Status.SERVER_FAULT: "not finished, because of a mistake of this server: tell its operator",
    Status.DATABASE_FAULT: "not finished, because the database cannot be reached now: send it again later",
    Status.FILE_FAULT: "not finished, because a file could not be written: send it again later",
}


class Answer(NamedTuple):
    """What a client is told: the handle, the code, and the report as `write_report` gave it."""

    handle: str
    code: Status
    report: bytes | None = None


class _Progress:
    """How far a submission has come: whether it is validated, and whether a row waits for it."""

    def __init__(self) -> None:
        self.is_validated = self.waits = False

    @property
    def code(self) -> Status:
        return Status.VALIDATED if self.is_validated else Status.PENDING


@dataclass(frozen=True, slots=True, kw_only=True)
class Submissions:
    """Takes submissions for one region.

    `holder` names this process in claims. Its tasks end with the event loop; `run` is the worker's.
    """

    region: Region
    database: Database
    judge: Judge
    clock: Callable[[], datetime]
    new_id: Callable[[], str]
    holder: str
    _woken: asyncio.Event = field(default_factory=asyncio.Event)
    _turns: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(TURNS))
    _open: set[asyncio.Task[None]] = field(default_factory=set)
    _waiting: list[str] = field(default_factory=list)
    _stopped: Counter[str] = field(default_factory=Counter)

    @property
    def is_busy(self) -> bool:
        """Whether so many submissions wait for their turn that another would only add to a flood."""
        return len(self._waiting) >= BUSY

    # ── answers ────────────────────────────────────────────────────────────────────────────────

    async def take(self, payload: BinaryIO, size: int, feed: Feed, data_schema: int, schema_version: str) -> Answer:
        """Take a payload of `size` bytes and give back the answer; never raises. `payload` may be closed after that."""
        submitted = Submitted(self.new_id(), feed, data_schema, schema_version, self.clock())
        try:
            if size > self.region.settings.submission_at_once_bytes:
                await self._put_by(payload, submitted, Status.PENDING, claim=False)
                self._woken.set()
                return Answer(submitted.handle, Status.PENDING)
            payload.seek(0)
            return await self._answer_at_once(BytesIO(payload.read()), submitted)
        except Exception as error:  # noqa: BLE001  whatever we did wrong, the client must be told that it was us
            return self.refuse(fault_code(error), feed.name)

    def refuse(self, code: Status, feed: str = NOBODY) -> Answer:
        """Give back an answer that needs no row: a refusal before the payload was looked at, or a fault of ours."""
        handle = seal(self.database.keys, SealedAnswer(code, feed, self.clock()))
        return Answer(handle, code, _report_of_fault(code))

    async def find(self, handle: str, feed: Feed) -> Answer:
        """Give back what became of the submission of this handle; never raises."""
        sealed = open_sealed(self.database.keys, handle)
        if sealed is not None:
            return self._tell(handle, sealed, feed)
        if not is_stored(handle):
            return Answer(handle, Status.HANDLE_MALFORMED)
        try:
            return await self.database.aread(lambda tx: self._find(tx, handle, feed))
        except StoreUnavailable:
            return Answer(handle, Status.DATABASE_FAULT, _report_of_fault(Status.DATABASE_FAULT))
        except GatewayFault:
            return Answer(handle, Status.STATUS_UNAVAILABLE)  # the report was altered, or its key is gone

    def _tell(self, handle: str, sealed: SealedAnswer, feed: Feed) -> Answer:
        if sealed.feed not in (NOBODY, feed.name):
            return Answer(handle, Status.HANDLE_UNKNOWN)
        if self._is_over(sealed.at):
            return Answer(handle, Status.HANDLE_EXPIRED)
        return Answer(handle, sealed.code, _report_of_fault(sealed.code))

    def _find(self, tx: Tx, handle: str, feed: Feed) -> Answer:
        found = submissions.find(tx, handle)
        if found is None or found.feed != feed.name:
            return Answer(handle, Status.HANDLE_UNKNOWN)
        if found.settled is not None and self._is_over(found.settled):
            return Answer(handle, Status.HANDLE_EXPIRED)
        return Answer(handle, Status(found.code), submissions.get_report(tx, handle))

    def _is_over(self, since: datetime) -> bool:
        return self.clock() - since > timedelta(days=self.region.settings.submission_days)

    # ── at once, if it is quick ────────────────────────────────────────────────────────────────

    async def _answer_at_once(self, payload: BytesIO, submitted: Submitted) -> Answer:
        progress = _Progress()
        work = asyncio.create_task(self._decide(payload, submitted, progress), name=f"submission-{submitted.handle}")
        done, _ = await asyncio.wait({work}, timeout=self.region.settings.submission_at_once_seconds)
        if not done:
            await self._put_by(BytesIO(payload.getvalue()), submitted, progress.code, claim=True)
            progress.waits = True
            self._later(self._settle_later(work, submitted))
            return Answer(submitted.handle, progress.code)
        verdict = await work
        report = _written(verdict)
        row = _row(submitted, verdict.code, settled=self.clock())
        await self.database.awrite(lambda tx: submissions.add(tx, row, report=report))
        _log(submitted, verdict, self.clock())
        return Answer(submitted.handle, verdict.code, report)

    async def _decide(self, payload: BinaryIO, submitted: Submitted, progress: _Progress) -> Verdict:
        self._waiting.append(submitted.handle)
        try:
            await self._turns.acquire()
        finally:
            self._waiting.remove(submitted.handle)
        try:
            return await self.judge.decide(payload, submitted, lambda: self._note_validated(submitted, progress))
        finally:
            self._turns.release()

    async def _note_validated(self, submitted: Submitted, progress: _Progress) -> None:
        progress.is_validated = True
        if progress.waits:
            await self.database.awrite(lambda tx: submissions.note(tx, submitted.handle, Status.VALIDATED))

    def _later(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._open.add(task)
        task.add_done_callback(self._open.discard)

    async def _settle_later(self, work: asyncio.Task[Verdict], submitted: Submitted) -> None:
        try:
            async with self._held(submitted.handle):
                await self._settle(work, submitted)
        except (GatewayFault, OSError) as fault:  # the row waits on: the worker will come to it when the claim ends
            log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)

    # ── what waits ─────────────────────────────────────────────────────────────────────────────

    async def _put_by(self, payload: BinaryIO, submitted: Submitted, code: Status, *, claim: bool) -> None:
        """Commit the payload, then the row that waits for its verdict."""
        await asyncio.to_thread(put_pieces, self.database, payload, submitted.handle)
        holder, until = (self.holder, self.clock() + LEASE) if claim else (None, None)
        row = _row(submitted, code)
        await self.database.awrite(lambda tx: submissions.add(tx, row, claimed_by=holder, lease_until=until))

    async def run(self) -> None:
        """Work on what waits, for as long as the gateway serves; what a fault of ours kept waiting is tried again."""
        next_house_keeping = self.clock()
        while True:
            self._woken.clear()
            try:
                if self.clock() >= next_house_keeping:
                    await self.keep_house()
                    next_house_keeping = self.clock() + KEEP_HOUSE_EVERY
                if await self.work_on_one():
                    continue
            except (GatewayFault, OSError) as fault:
                log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), LOOK_EVERY)

    async def work_on_one(self) -> bool:
        """Claim what has waited longest and finish it; False where nothing waits."""
        now = self.clock()
        found = await self.database.awrite(
            lambda tx: submissions.claim(tx, who=self.holder, now=now, until=now + LEASE)
        )
        if found is None:
            return False
        async with self._held(found.handle):
            try:
                await self._finish(found)
            except (GatewayFault, OSError) as fault:
                await self._give_up(found, fault)
        return True

    async def _give_up(self, found: Submission, fault: GatewayFault | OSError) -> None:
        """Tell the client in the end; raises the fault as long as another try may do.

        Tries are counted by this process: one that starts anew may do better.
        """
        self._stopped[found.handle] += 1
        if self._stopped[found.handle] < TRIES:
            raise fault
        code = fault_code(fault)
        await self._write(found, Verdict(code, SubmitReport(server_error=FAULTS[code])))

    async def _finish(self, found: Submission) -> None:
        feed = self.region.feeds.get(found.feed)
        if feed is None:  # taken out of the region meanwhile
            return await self._write(found, Verdict(Status.ORGANIZATION_DENIED))
        submitted = Submitted(found.handle, feed, found.data_schema, found.schema_version, found.received)
        progress = _Progress()
        progress.waits = True
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as payload:
            await asyncio.to_thread(self._restore, found.handle, payload)
            work = asyncio.create_task(self._decide(payload, submitted, progress))  # type: ignore[arg-type]
            await self._settle(work, submitted)
        return None

    def _restore(self, handle: str, payload: "tempfile.SpooledTemporaryFile[bytes]") -> None:
        for number in count():
            piece = self.database.read(partial(pieces.find, message=handle, number=number))
            if piece is None:
                return
            payload.write(piece)

    async def _settle(self, work: asyncio.Task[Verdict], submitted: Submitted) -> None:
        """Wait for the verdict and write it down. Raises what may pass by itself: then it goes on waiting."""
        try:
            verdict = await work
        except (GatewayFault, OSError):
            raise
        except Exception as error:  # noqa: BLE001  it would fail again and again; the client is told that it was us
            log("request_failed", level="error", error=type(error).__name__)
            verdict = Verdict(Status.SERVER_FAULT, SubmitReport(server_error=FAULTS[Status.SERVER_FAULT]))
        await self._write(_row(submitted, verdict.code), verdict)
        _log(submitted, verdict, self.clock())

    async def _write(self, row: Submission, verdict: Verdict) -> None:
        report, now = _written(verdict), self.clock()

        def settle(tx: Tx) -> None:
            submissions.settle(tx, row.handle, code=verdict.code, report=report, at=now)
            pieces.drop_spare(tx, row.handle)

        await self.database.awrite(settle)
        self._stopped.pop(row.handle, None)

    @contextlib.asynccontextmanager
    async def _held(self, handle: str) -> AsyncIterator[None]:
        """Renew the claim while it is worked on."""
        task = asyncio.create_task(self._renew(handle), name=f"lease-{handle}")
        try:
            yield
        finally:
            task.cancel()

    async def _renew(self, handle: str) -> None:
        while True:
            await asyncio.sleep(LEASE.total_seconds() / 4)
            renew = partial(submissions.renew, handle=handle, who=self.holder, until=self.clock() + LEASE)
            try:
                await self.database.awrite(renew)
            except GatewayFault as fault:
                log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)

    async def keep_house(self) -> None:
        """Forget what need not be known any longer, and what was begun and left."""
        now = self.clock()
        before = now - timedelta(days=self.region.settings.submission_days)
        left_over = f"{int((now - LEFT_OVER).timestamp() * 1000):012x}"  # ids begin with their millisecond

        def forget(tx: Tx) -> None:
            submissions.forget_reports(tx, before)
            pieces.drop_left_over(tx, left_over)

        await self.database.awrite(forget)


def fault_code(error: Exception) -> Status:
    """Give back the code of a fault of ours, and log its kind."""
    if isinstance(error, StoreUnavailable):
        log("store_failed", level="error", error=type(error.__cause__ or error).__name__)
        return Status.DATABASE_FAULT
    log("request_failed", level="error", error=type(error).__name__)
    return Status.FILE_FAULT if isinstance(error, OSError) else Status.SERVER_FAULT


def _row(submitted: Submitted, code: Status, *, settled: datetime | None = None) -> Submission:
    return Submission(
        handle=submitted.handle,
        feed=submitted.feed.name,
        data_schema=submitted.data_schema,
        schema_version=submitted.schema_version,
        code=code,
        received=submitted.received,
        settled=settled,
    )


def _written(verdict: Verdict) -> bytes | None:
    return None if verdict.report is None else write_report(verdict.report)


def _report_of_fault(code: Status) -> bytes | None:
    return write_report(SubmitReport(server_error=FAULTS[code])) if code in FAULTS else None


def _log(submitted: Submitted, verdict: Verdict, now: datetime) -> None:
    took = round((now - submitted.received).total_seconds() * 1000, 1)
    log("submission_settled", feed=submitted.feed.name, code=int(verdict.code), milliseconds=took)
