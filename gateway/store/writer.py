"""The one thread that writes, and the group commit.

    take all that waits → BEGIN → each work in a savepoint → what was deferred → COMMIT → answer them all

* A work that raises is rolled back alone; its neighbours in the batch are not touched.
* Nobody is answered before the commit. When it fails, nothing of the batch is kept and every caller is told
  so; the next batch begins on a new connection.
* Where a batch fails for another reason than an outage (two processes waiting for each other, a deferred row
  the database refuses), each of its works is done again in a transaction of its own. A work may therefore
  run more than once, but only one run is ever committed: it must do nothing but use its transaction.
"""

import asyncio
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from queue import Empty, SimpleQueue
from typing import Any, NamedTuple

from gateway.errors import StoreUnavailable
from gateway.store.encryption import KeyRing
from gateway.store.engines import Engine, fault_of
from gateway.store.transaction import Tx, close

_TRIES = 5  # for a work that stands alone and still meets a conflict


class Outcome(NamedTuple):
    """What became of a work: its value, or the error that its caller shall see."""

    value: Any = None
    error: Exception | None = None


class Job(NamedTuple):
    """A work and the future that waits for it; `loop` is that of an asyncio future."""

    work: Callable[[Tx], Any]
    future: "Future[Any] | asyncio.Future[Any]"
    loop: asyncio.AbstractEventLoop | None


class Writer:
    """Owns the write connection and the thread that uses it."""

    def __init__(self, engine: Engine, keys: KeyRing, *, batch: int) -> None:
        """Start the thread; at most `batch` works share a commit."""
        self._engine = engine
        self._keys = keys
        self._batch = batch
        self._connection: Any = None
        self._cursor: Any = None
        self._queue: SimpleQueue[Job | None] = SimpleQueue()
        self._gate = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the thread runs; a service whose writer has ended must end too."""
        return self._thread.is_alive()

    def put(self, job: Job) -> None:
        """Queue a work. Raises `StoreUnavailable` once the writer is closed."""
        with self._gate:
            if self._closed or not self._thread.is_alive():
                raise StoreUnavailable("the store is closed")
            self._queue.put(job)

    def close(self) -> None:
        """Finish all that was queued, then end the thread. Safe to call twice."""
        with self._gate:
            if not self._closed:
                self._closed = True
                self._queue.put(None)
        self._thread.join()

    def _run(self) -> None:
        try:
            for jobs in self._batches():
                if jobs:
                    _answer(jobs, self._perform(jobs))
        finally:
            self._disconnect()

    def _batches(self) -> Iterator[list[Job]]:
        """All that waits, again and again, until the end is asked for."""
        while (job := self._queue.get()) is not None:
            jobs = [job]
            while len(jobs) < self._batch:
                try:
                    job = self._queue.get_nowait()
                except Empty:
                    break
                if job is None:
                    yield _wanted(jobs)
                    return
                jobs.append(job)
            yield _wanted(jobs)

    def _perform(self, jobs: Sequence[Job], tries: int = _TRIES) -> list[Outcome]:
        try:
            return self._transact(jobs)
        except Exception as error:  # noqa: BLE001  whatever it is, it belongs to the callers
            self._disconnect()
            fault = fault_of(error, self._engine.dialect)
            if self._engine.is_conflict(error) and len(jobs) == 1 and tries > 1:
                return self._perform(jobs, tries - 1)
            if len(jobs) > 1 and (self._engine.is_conflict(error) or not isinstance(fault, StoreUnavailable)):
                return [outcome for job in jobs for outcome in self._perform([job])]
            return [Outcome(error=fault_of(error, self._engine.dialect)) for _ in jobs]

    def _transact(self, jobs: Sequence[Job]) -> list[Outcome]:
        """One transaction. Raises whatever keeps it from being committed."""
        if self._connection is None:
            self._connection = self._engine.connect()
            self._cursor = self._connection.cursor()
        cursor = self._cursor
        cursor.execute(self._engine.begin)
        tx = Tx(cursor, self._engine, self._keys)
        outcomes = [self._attempt(job.work, tx, cursor) for job in jobs]
        close(tx)
        cursor.execute("COMMIT")
        return outcomes

    def _attempt(self, work: Callable[[Tx], Any], tx: Tx, cursor: Any) -> Outcome:
        """One work in its savepoint. Raises only what ends the whole transaction."""
        deferred = len(tx.deferred)
        cursor.execute("SAVEPOINT work")
        try:
            value = work(tx)
        except Exception as error:
            if self._engine.is_conflict(error) or not self._engine.in_transaction(self._connection):
                raise
            cursor.execute("ROLLBACK TO SAVEPOINT work")
            cursor.execute("RELEASE SAVEPOINT work")
            del tx.deferred[deferred:]
            return Outcome(error=fault_of(error, self._engine.dialect))
        cursor.execute("RELEASE SAVEPOINT work")
        return Outcome(value)

    def _disconnect(self) -> None:
        """Give up the connection, and with it any transaction; the next batch makes a new one.

        The cursor first: SQLite keeps a closed connection, and its lock, while a statement of it is alive, and
        the traceback of an error can hold one for long.
        """
        if self._connection is not None:
            self._cursor.close()
            self._connection.close()
            self._connection = self._cursor = None


def _wanted(jobs: list[Job]) -> list[Job]:
    """Leave out what its caller has called off before it began."""
    return [job for job in jobs if _begin(job.future)]


def _begin(future: "Future[Any] | asyncio.Future[Any]") -> bool:
    return future.set_running_or_notify_cancel() if isinstance(future, Future) else not future.cancelled()


def _answer(jobs: Sequence[Job], outcomes: Sequence[Outcome]) -> None:
    """Tell every caller; each event loop is woken once for all of its own."""
    loops: dict[asyncio.AbstractEventLoop, list[tuple[Any, Outcome]]] = {}
    for job, outcome in zip(jobs, outcomes, strict=True):
        if job.loop is None:
            _settle([(job.future, outcome)])
        else:
            loops.setdefault(job.loop, []).append((job.future, outcome))
    for loop, answers in loops.items():
        _wake(loop, answers)


def _wake(loop: asyncio.AbstractEventLoop, answers: list[tuple[Any, Outcome]]) -> None:
    try:
        loop.call_soon_threadsafe(_settle, answers)
    except RuntimeError:
        if not loop.is_closed():  # a closed loop has nobody left who waits
            raise


def _settle(answers: Sequence[tuple[Any, Outcome]]) -> None:
    for future, (value, error) in answers:
        if future.cancelled():
            continue
        if error is not None:
            future.set_exception(error)
        else:
            future.set_result(value)
