"""Rule files run in processes of their own, each for so long and no longer.

The threads that check submissions share a few processes (`gateway.rule_process`). A process is lent to one thread at
a time, is started when there is none to lend, and is not taken back once it has died: at the time limit, or by a
fault of the foreign library. Each is told a stylesheet once, which then is ready in it (0.8 s for the national rules).

The processor is an optional extra: `is_installed` tells whether it is there.
"""

import importlib.util
import queue
import signal
import subprocess
import sys
from multiprocessing import Pipe
from types import TracebackType
from typing import Self

import msgspec

from gateway.adapters.report_parts import Part
from gateway.errors import GatewayFault
from gateway.rule_orders import Answer, Broken, Compile, Order, Run, Stylesheet

PROCESSES = 2  #: processes for rules at one time, each some 250 MB with the national rules
SECONDS = 20.0  #: what one part of a file may take; the national rules take some 0.3 s for one of usual size
COMPILE_SECONDS = 60.0  #: what making a stylesheet ready may take

_ENCODE, _DECODE = msgspec.msgpack.encode, msgspec.msgpack.Decoder(Answer).decode


class RuleFault(GatewayFault):
    """A rule file could not be run, for no fault of the report's sender."""

    # raised itself where the process ended by itself: out of memory, or the extra is broken


class TookTooLong(RuleFault):
    """A rule file was still running at the time limit."""


class RuleBroken(RuleFault):
    """A rule file broke off; `words` are the processor's, and may quote the report: never shown or logged."""

    def __init__(self, message: str, words: str) -> None:
        super().__init__(message)
        self.words = words


def is_installed() -> bool:
    """Whether the optional processor is there."""
    return importlib.util.find_spec("saxonche") is not None


class RuleRunner:
    """Runs stylesheets; any thread may call it. `close` ends the processes."""

    def __init__(self, *, processes: int = PROCESSES, seconds: float = SECONDS) -> None:
        self.seconds = seconds
        self._idle: queue.LifoQueue[_Child | None] = queue.LifoQueue()
        for _ in range(processes):
            self._idle.put(None)
        self._processes = processes

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def compile(self, sheet: Stylesheet) -> None:
        """Make a stylesheet ready in one process. Raises `RuleBroken` or `TookTooLong`."""
        child = self._idle.get()
        try:
            child = child or _Child()
            child.prepare(sheet)
        finally:
            self._take_back(child)

    def run(self, sheet: Stylesheet, part: Part) -> bytes:
        """Give back what a stylesheet makes of a part. Raises `RuleBroken` or `TookTooLong`."""
        child = self._idle.get()
        try:
            child = child or _Child()
            child.prepare(sheet)
            return child.run(sheet, part, self.seconds)
        finally:
            self._take_back(child)

    def close(self) -> None:
        """Wait for what is running, which has its time limit, and end the processes."""
        for child in [self._idle.get() for _ in range(self._processes)]:
            if child:
                child.end()
            self._idle.put(None)

    def _take_back(self, child: "_Child | None") -> None:
        if child is not None and not child.is_alive:
            child.end()
            child = None
        self._idle.put(child)


class _Child:
    """One process, and what has been made ready in it."""

    def __init__(self) -> None:
        self._connection, theirs = Pipe()
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 (our own interpreter and module)
                [sys.executable, "-P", "-m", "gateway.rule_process", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        self._ready: set[str] = set()
        self.is_alive = True

    def prepare(self, sheet: Stylesheet) -> None:
        """Make a stylesheet ready, if it is not."""
        if sheet.key not in self._ready:
            self._ask(Compile(sheet.key, sheet.text, COMPILE_SECONDS))
            self._ready.add(sheet.key)

    def run(self, sheet: Stylesheet, part: Part, seconds: float) -> bytes:
        """Run a stylesheet that is ready."""
        return self._ask(Run(sheet.key, part.data.decode(), part.headers, part.reports, seconds)).encode()

    def end(self) -> None:
        """End the process, at once."""
        self._connection.close()
        self._process.kill()
        self._process.wait()

    def _ask(self, order: Order) -> str:
        try:
            self._connection.send_bytes(_ENCODE(order))
            answer: Answer = _DECODE(self._connection.recv_bytes())
        except (EOFError, OSError) as error:
            self.is_alive = False
            if self._process.wait() == -signal.SIGALRM:
                raise TookTooLong("a rule file did not come to an end in its time") from error
            raise RuleFault("the process that runs the rules has ended: install the extra anew") from error
        if isinstance(answer, Broken):
            raise RuleBroken("a rule file broke off", answer.words)
        return answer.result
