"""When each message is sent, over which connection, and what came back.

The rules:

* A lane is one connection to each end, and sends one message at a time. Messages that belong together share
  a lane, so their order holds however many lanes there are.
* With a rate, message n is due n / rate after the start, whatever the answers do (an open loop). Its latency
  counts from then: a receiver that stalls cannot hide the messages that had to wait meanwhile.
* A message without an answer is sent once more, the same bytes on a new connection. When that fails too the
  run stops: what comes after a blocked message must not overtake it (common practice).
"""

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from gateway.errors import GatewayError, Lost, Unreachable
from gateway.replaying.ends import Access, Answer, End, Targets, open_end
from gateway.replaying.messages import Outgoing


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One message that was sent: its answer if any, in how many seconds, after how many sendings.

    `lost` says in our words why there is no answer.
    """

    message: Outgoing
    answer: Answer | None
    seconds: float
    sendings: int
    lost: str = ""

    @property
    def is_good(self) -> bool:
        """Whether the answer is what was expected; without an expectation, whether it is a yes."""
        return self.answer is not None and self.answer.is_expected(self.message.expected)

    @property
    def reason(self) -> str:
        """Why there is no yes, or what is said of a message that was known before; empty where nothing is said."""
        return self.answer.reason if self.answer else self.lost


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A whole replay: what was sent, in the order given, in how many seconds, and why it stopped early if it did."""

    outcomes: tuple[Outcome, ...]
    seconds: float
    unsent: int
    stopped: GatewayError | None


def share_out(messages: Sequence[Outgoing], lanes: int) -> list[list[int]]:
    """Give back, for each lane, the numbers of its messages in order; those that belong together share one.

    Whatever is new goes to the lanes in turn.
    """
    shares: list[list[int]] = [[] for _ in range(lanes)]
    lane_of: dict[str, int] = {}
    turn = 0
    for number, message in enumerate(messages):
        if message.together in lane_of:
            lane = lane_of[message.together]
        else:
            lane, turn = turn, (turn + 1) % lanes
        if message.together:
            lane_of[message.together] = lane
        shares[lane].append(number)
    return [share for share in shares if share]


async def send_all(
    messages: Sequence[Outgoing],
    targets: Targets,
    access: Access,
    *,
    rate: float | None = None,
    connections: int = 1,
    tell: Callable[[Outcome], None] = lambda _: None,
) -> Run:
    """Send the messages and give back what came of it; `tell` hears of each as it is answered.

    `rate` is in messages per second. Never raises for what the other end does: see `Run.stopped`.
    """
    sending = _Sending(messages, targets, access, rate, tell)
    async with asyncio.TaskGroup() as lanes:
        for number, share in enumerate(share_out(messages, connections), 1):
            lanes.create_task(sending.drive(share), name=f"replay lane {number}")
    outcomes = tuple(sending.outcomes[number] for number in sorted(sending.outcomes))
    seconds = asyncio.get_running_loop().time() - sending.begun
    return Run(outcomes=outcomes, seconds=seconds, unsent=len(messages) - len(outcomes), stopped=sending.stopped)


class _Exchange(NamedTuple):
    """What came of sending one message: the answer, how often it was sent, and why there is no answer."""

    answer: Answer | None
    sendings: int
    lost: str = ""


class _Sending:
    """What the lanes of one run share."""

    def __init__(
        self,
        messages: Sequence[Outgoing],
        targets: Targets,
        access: Access,
        rate: float | None,
        tell: Callable[[Outcome], None],
    ) -> None:
        self._messages = messages
        self._targets = targets
        self._access = access
        self._rate = rate
        self._tell = tell
        self._stop = asyncio.Event()
        self._clock = asyncio.get_running_loop().time
        self.begun = self._clock()
        self.outcomes: dict[int, Outcome] = {}
        self.stopped: GatewayError | None = None

    async def drive(self, share: Sequence[int]) -> None:
        """Send the messages of one lane in order, until it is done or the run is stopped."""
        ends: dict[str, End] = {}
        try:
            for number in share:
                due = await self._until_due(number)
                if self._stop.is_set():
                    return
                message = self._messages[number]
                address = self._targets.by_kind[message.kind]
                end = ends.get(address) or ends.setdefault(address, open_end(address, self._access))
                await self._send(number, end, due)
        finally:
            for end in ends.values():
                await end.close()

    async def _until_due(self, number: int) -> float:
        if self._rate is None:
            return self._clock()
        due = self.begun + number / self._rate
        if due > self._clock():
            with contextlib.suppress(TimeoutError):  # the time is up: the usual case; else the run was stopped
                async with asyncio.timeout_at(due):
                    await self._stop.wait()
        return due

    async def _send(self, number: int, end: End, due: float) -> None:
        message = self._messages[number]
        answer, sendings, lost = await self._exchange(message, end)
        if sendings:
            seconds = self._clock() - due
            outcome = Outcome(message=message, answer=answer, seconds=seconds, sendings=sendings, lost=lost)
            self.outcomes[number] = outcome
            self._tell(outcome)

    async def _exchange(self, message: Outgoing, end: End) -> _Exchange:
        """Send once, and once more when the answer was lost; an end closes what it lost, so the second try is anew."""
        try:
            return _Exchange(await end.send(message), 1)
        except Unreachable as error:
            self._halt(error)
            return _Exchange(None, 0)
        except Lost as error:
            return await self._exchange_again(message, end, str(error))

    async def _exchange_again(self, message: Outgoing, end: End, lost: str) -> _Exchange:
        try:
            return _Exchange(await end.send(message), 2)
        except Unreachable as error:
            self._halt(error)
            return _Exchange(None, 1, lost)
        except Lost as error:
            where = f"{message.file}: message {message.number}"
            self._halt(Unreachable(f"{where}: sent twice, {error} ({error.reason}); see what the receiver logged"))
            return _Exchange(None, 2, str(error))

    def _halt(self, reason: GatewayError) -> None:
        self.stopped = self.stopped or reason
        self._stop.set()
