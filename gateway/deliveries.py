"""The delivery worker: claim, compose, send, settle, wait; one worker for each subscription.

* What a notification says is decided when it is sent, and written down before it leaves, so that a repeat
  after a crash or a lost answer is the same bytes under the same id.
* While all goes well a full queue costs one commit a delivery: it settles the last one, claims the next, and writes
  that down.
* Who sends to the gateway stands still until the answer comes, so while many wait a delivery gives way.
* One delivery of a subscription is in flight at a time, so order holds. While its receiver is lost, the
  whole subscription waits; other subscriptions never notice.
* A refusal is final and goes to the holding list for a person; a loss is tried again, with growing waits.
"""

import asyncio
import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import httpx
import msgspec
import orjson

from gateway import __version__
from gateway.adapters.acknowledgements import Accepted, NoAnswer, read_answer
from gateway.adapters.acknowledgements import Refused as NegativeAnswer
from gateway.adapters.er7 import Position, read
from gateway.adapters.fhir import Publisher
from gateway.adapters.identity_updates import Station, find_visit, identity_update
from gateway.adapters.notifications import Occasion, notification
from gateway.errors import GatewayFault, Lost, Refused, SenderFault, StoreUnavailable, Unreachable, UsageFault
from gateway.joining import gather_linked
from gateway.logs import log
from gateway.mllp_client import MllpClient
from gateway.records import Channel, Delivery, DeliveryState, LinkedRecord, Subscription
from gateway.region import Region
from gateway.routing.delivery import Patience, lost
from gateway.routing.entitlement import record_for
from gateway.store import deliveries, episodes, events
from gateway.store.database import Database
from gateway.store.transaction import Tx

LONGEST_SLEEP = 5.0  # another process may have queued something, or a clock may have been set
CONTROL_ID = Position("MSH", 10)
AT_ONCE = 100  # deliveries that one transaction may find impossible before others get their turn
BUSY = 8  # senders that stand still until their messages are kept: a delivery then lets them go first
GIVEN_WAY = 0.5  # seconds that it lets them at most: a subscription still gets two of its deliveries out a second
LOOK_AGAIN = 0.02  # seconds until it looks whether fewer stand
LAST_ATTEMPT = 10.0  # seconds a delivery in flight gets to be settled when the gateway stops
ANSWER_BYTES = 64 * 1024  # an answer's body is read so far, and for so many seconds, and no further: it means
ANSWER_SECONDS = 1.0  # nothing to us, but a connection whose answer was read can be used again
LATER = frozenset({408, 425, 429})  # HTTP statuses below 500 that mean "not now" (RFC 9110, RFC 8470, RFC 6585)


class Sender(Protocol):
    """What sends one payload over one channel; raises `Lost` or `Refused`, gives back the answer in a word."""

    async def send(self, payload: bytes) -> str:
        """Send and wait for the answer."""
        ...

    async def close(self) -> None:
        """Let go of the connection."""
        ...


Ending = Callable[[Tx], object]  # writes down how a delivery ended


#: What a record brings about that no rule of ours foresaw; a database that fails is none of these.
OUR_MISTAKES = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    TypeError,
    ValueError,
    msgspec.MsgspecError,
)


class NotComposed(GatewayFault):
    """There is nothing to send; the text is a short word that says why."""


class RestHook:
    """FHIR notifications by POST: any 2xx takes it, a redirect or another 4xx refuses it, the rest is lost."""

    def __init__(self, subscription: Subscription) -> None:
        headers = {"Content-Type": "application/fhir+json; charset=UTF-8", "User-Agent": f"bandgate/{__version__}"}
        if subscription.header is not None:
            name, place = subscription.header
            headers[name] = read_secret(place)
        self._client = httpx.AsyncClient(headers=headers, timeout=subscription.timeout, follow_redirects=False)
        self._endpoint = subscription.endpoint
        self._timeout = subscription.timeout

    async def send(self, payload: bytes) -> str:
        """POST the bundle."""
        try:
            async with asyncio.timeout(self._timeout):
                status = await self._post(payload)
        except (httpx.TimeoutException, TimeoutError) as error:
            raise Lost("no answer in time", reason="silence", is_away=True) from error
        except httpx.HTTPError as error:
            raise Lost("no connection", reason="not-connected", is_away=True) from error
        if httpx.codes.is_success(status):
            return str(status)
        if status >= 500 or status in LATER:
            raise Lost(f"answered {status}", reason=f"http-{status}", is_away=True)
        raise Refused(f"answered {status}", reason=f"http-{status}")

    async def _post(self, payload: bytes) -> int:
        """The status of the answer: it alone says what became of the notification, whatever follows it."""
        async with self._client.stream("POST", self._endpoint, content=payload) as response:
            with contextlib.suppress(httpx.HTTPError, TimeoutError):
                async with asyncio.timeout(ANSWER_SECONDS):
                    await _skim(response)
            return response.status_code

    async def close(self) -> None:
        """Close the connections."""
        await self._client.aclose()


async def _skim(response: httpx.Response) -> None:
    size = 0
    async for piece in response.aiter_raw():
        size += len(piece)
        if size > ANSWER_BYTES:
            return


class MllpEnd:
    """HL7 v2 messages over one MLLP connection that is kept open; AE and CE refuse, AR and CR are tried again."""

    def __init__(self, subscription: Subscription) -> None:
        self._client = MllpClient(subscription.endpoint, timeout=subscription.timeout)

    async def send(self, payload: bytes) -> str:
        """Send the message and read its acknowledgement."""
        if not self._client.connected:
            try:
                await self._client.connect()
            except Unreachable as error:
                raise Lost("no connection", reason="not-connected", is_away=True) from error
        try:
            control_id = str(read(payload).value(CONTROL_ID) or "")
        except SenderFault as fault:  # it was written down for another channel, which the region file had then
            raise Refused("no HL7 v2 message", reason="other-channel") from fault
        answer = read_answer(await self._client.send(payload), control_id)
        if isinstance(answer, Accepted):
            return answer.code
        if isinstance(answer, NoAnswer):
            await self._client.close()
            raise Lost("the answer is not to this message", reason=answer.reason)
        assert isinstance(answer, NegativeAnswer)
        if answer.retry:
            raise Lost(f"answered {answer.code}", reason=answer.code)
        raise Refused(f"answered {answer.code}", reason=answer.code)

    async def close(self) -> None:
        """Close the connection."""
        await self._client.close()


SENDERS: dict[Channel, Callable[[Subscription], Sender]] = {
    Channel.FHIR_REST_HOOK: RestHook,
    Channel.HL7V2_MLLP: MllpEnd,
}


class Ready(NamedTuple):
    """A delivery that is now the worker's own, and the bytes it will send, which are written down."""

    delivery: Delivery
    payload: bytes


class Turn(NamedTuple):
    """What one transaction brought: the next delivery, and those that could not be composed, each with why."""

    ready: Ready | None
    held: list[tuple[Delivery, NotComposed]]


@dataclass(slots=True)
class DeliveryWorker:
    """Sends what is queued for one subscription, until cancelled; `standing` tells how many senders stand still."""

    region: Region
    database: Database
    subscription: Subscription
    clock: Callable[[], datetime]
    jitter: Callable[[], float]
    name: str
    standing: Callable[[], int] = lambda: 0
    woken: asyncio.Event = field(default_factory=asyncio.Event)
    paused_until: datetime | None = None  #: the receiver is away: nothing is tried before
    stopping: bool = False  #: what is in flight is settled, and nothing more is claimed

    async def run(self) -> None:
        """Work until cancelled; a delivery in flight then is settled first, and unsent claims are given back."""
        sender = SENDERS[self.subscription.channel](self.subscription)
        is_sure = True  # that nothing is claimed but what is in flight
        try:
            while True:
                self.woken.clear()
                try:
                    if not is_sure:
                        await self._give_back()
                        is_sure = True
                    await self._work(sender)
                except StoreUnavailable as fault:
                    if not self.database.alive:
                        raise
                    log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
                    is_sure = False
                    await asyncio.sleep(LONGEST_SLEEP)
        finally:
            await sender.close()
            await self._give_back()

    async def _give_back(self) -> None:
        """Put claims back that were not settled: nothing is in flight, and waiting for the lease to end costs minutes.

        A delivery that was made, and whose settling the store refused, is made once more.
        """
        await self.database.awrite(lambda tx: deliveries.give_back(tx, worker=self.name))

    async def _work(self, sender: Sender) -> None:
        """Send what is due, one after the other, or wait until something is."""
        ready = await self._next() if await self._is_worth_a_look() else None
        if ready is None:
            await self._sleep()
        while ready is not None:
            sending = asyncio.create_task(self._deliver(sender, ready), name=f"{self.name}-sending")
            try:
                ready = await asyncio.shield(sending)
            except asyncio.CancelledError:
                self.stopping = True
                await asyncio.wait([sending], timeout=LAST_ATTEMPT)
                sending.cancel()
                raise

    async def _is_worth_a_look(self) -> bool:
        """Whether something may be claimed; asked of a reader, so that a quiet queue costs no commits."""
        now = self.clock()
        return not self._is_paused(now) and await self.database.aread(
            lambda tx: deliveries.is_ready(tx, self.subscription.name, now=now, horizon=self._horizon)
        )

    async def _next(self, ended: Ending | None = None) -> Ready | None:
        """Write down how the last delivery ended, and claim and compose the next: one transaction for both."""
        await self._give_way()
        now = self.clock()
        claims = not self.stopping and not self._is_paused(now)
        try:
            turn = await self.database.awrite(lambda tx: self._turn(tx, ended, now, claims=claims))
        except StoreUnavailable:
            raise
        except Exception:
            if ended is not None:  # whatever is wrong with the next one, the last one is settled
                await self.database.awrite(ended)
            raise
        for delivery, why in turn.held:
            about = {"delivery": delivery.id, "subscription": self.subscription.name, "reason": str(why)}
            if why.__cause__ is not None:
                about["error"] = type(why.__cause__).__name__
            log("delivery_held", level="warning", **about)
        return turn.ready

    async def _give_way(self) -> None:
        """Let senders go first while many stand, but not for ever."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(GIVEN_WAY):
                while self.standing() >= BUSY:
                    await asyncio.sleep(LOOK_AGAIN)

    def _turn(self, tx: Tx, ended: Ending | None, now: datetime, *, claims: bool) -> Turn:
        if ended is not None:
            ended(tx)
        held: list[tuple[Delivery, NotComposed]] = []
        if not claims:
            return Turn(None, held)
        deliveries.release_expired(tx, now=now, horizon=self._horizon)
        lease = timedelta(seconds=self.region.settings.delivery_lease_seconds)
        name = self.subscription.name
        for _ in range(AT_ONCE):
            claimed = deliveries.claim(tx, name, now=now, worker=self.name, lease=lease, horizon=self._horizon)
            if claimed is None:
                break
            delivery = claimed.delivery
            try:
                payload = self._written_before(tx, claimed) or self._compose(tx, delivery, now)
                return Turn(Ready(delivery, payload), held)
            except NotComposed as why:
                settle = self._settlement(delivery, DeliveryState.HELD, at=now, reason=str(why))
                settle(tx)
                held.append((delivery, why))
        return Turn(None, held)

    @property
    def _horizon(self) -> timedelta:
        """How far ahead a time of ours can lie: twice the longest, since other gateways' clocks differ from this one.

        What lies further was written before the clock was set back (see `gateway.store.deliveries`).
        """
        settings = self.region.settings
        return 2 * timedelta(
            seconds=max(settings.delivery_longest_wait_seconds * 1.25, settings.delivery_lease_seconds)
        )

    def _is_paused(self, now: datetime) -> bool:
        return self.paused_until is not None and now < self.paused_until <= now + self._horizon

    async def _sleep(self) -> None:
        """Wait until something is queued, the next delivery is due, or a while has passed."""
        due = self.paused_until
        if not self._is_paused(self.clock()):
            due = await self.database.aread(lambda tx: deliveries.next_due(tx, self.subscription.name))
        seconds = (due - self.clock()).total_seconds() if due is not None else LONGEST_SLEEP
        try:
            async with asyncio.timeout(min(max(seconds, 0.01), LONGEST_SLEEP)):
                await self.woken.wait()
        except TimeoutError:
            return

    async def _deliver(self, sender: Sender, ready: Ready) -> Ready | None:
        """Send once, settle, and give back the next."""
        delivery, began = ready.delivery, self.clock()
        about: dict[str, Any] = {
            "delivery": delivery.id,
            "subscription": self.subscription.name,
            "attempt": delivery.attempts,
        }
        try:
            answer = await sender.send(ready.payload)
        except Refused as refusal:
            return await self._hold(delivery, refusal.reason, about)
        except Lost as loss:
            return await self._lose(delivery, loss, about)
        now = self.clock()
        following = await self._next(self._settlement(delivery, DeliveryState.DELIVERED, at=now, answer=answer))
        log("delivery_made", **about, milliseconds=round((now - began).total_seconds() * 1000, 1))
        return following

    @staticmethod
    def _written_before(tx: Tx, claimed: deliveries.Claimed) -> bytes | None:
        try:
            return deliveries.open_payload(tx, claimed)
        except GatewayFault as fault:
            raise NotComposed("not-readable") from fault

    def _compose(self, tx: Tx, delivery: Delivery, now: datetime) -> bytes:
        """Write down what is to be sent, from what is known now. Raises `NotComposed` when there is nothing to send."""
        try:
            payload = compose(tx, self.region, self.subscription, delivery, now=now)
        except GatewayFault as fault:
            raise NotComposed("not-composed") from (fault.__cause__ or fault)
        if payload is None:
            raise NotComposed("not-entitled")
        return deliveries.set_payload(tx, delivery.id, payload, worker=self.name)

    def _settlement(
        self,
        delivery: Delivery,
        state: DeliveryState,
        *,
        at: datetime,
        reason: str | None = None,
        answer: str | None = None,
    ) -> Ending:
        """What settles a delivery for good; nothing happens where the claim was lost, and another settles it."""
        return lambda tx: deliveries.settle(
            tx, delivery.id, state, worker=self.name, at=at, reason=reason, answer=answer
        )

    async def _hold(self, delivery: Delivery, reason: str, about: dict[str, Any]) -> Ready | None:
        """Put a delivery on the holding list, and give back the next."""
        following = await self._next(self._settlement(delivery, DeliveryState.HELD, at=self.clock(), reason=reason))
        log("delivery_held", level="warning", **about, reason=reason)
        return following

    async def _lose(self, delivery: Delivery, loss: Lost, about: dict[str, Any]) -> Ready | None:
        """Put a lost delivery off; while its receiver is away the others wait too, so that order holds."""
        reason = loss.reason
        settings, now = self.region.settings, self.clock()
        patience = Patience(
            first=settings.delivery_first_wait_seconds,
            longest=settings.delivery_longest_wait_seconds,
            attempts=settings.delivery_attempts,
        )
        after = lost(delivery, patience, now=now, jitter=self.jitter(), reason=reason)
        if after.state is DeliveryState.HELD:
            return await self._hold(delivery, reason, about)
        self.paused_until = after.due if loss.is_away else None
        following = await self._next(
            lambda tx: deliveries.wait(tx, delivery.id, worker=self.name, due=after.due, reason=reason)
        )
        wait = round((after.due - now).total_seconds(), 1)
        log("delivery_lost", level="warning", **about, reason=reason, wait_seconds=wait)
        return following


def compose(tx: Tx, region: Region, subscription: Subscription, delivery: Delivery, *, now: datetime) -> bytes | None:
    """Give back what this delivery says now; None when the subscriber may be told nothing (any more).

    Raises `GatewayFault` for what cannot be written, such as a band whose scheme the region file has lost.
    """
    try:
        episode = episodes.get(tx, delivery.episode)
        record = record_for(subscription.organisation, episode, *gather_linked(tx, delivery.episode))
        if record is None or find_visit(record, record.recipient) is None:
            return None
        total = events.last_number(tx, subscription.name)
        return _written(record, region, subscription, delivery, total=total, now=now)
    except OUR_MISTAKES as error:  # whatever is wrong with one record, the others must go out
        raise GatewayFault("a record could not be written") from error


def _written(
    record: LinkedRecord, region: Region, subscription: Subscription, delivery: Delivery, *, total: int, now: datetime
) -> bytes:
    """The bytes of one delivery."""
    if subscription.channel is Channel.HL7V2_MLLP:
        return identity_update(
            record,
            schemes=region.schemes,
            sender=Station("GATEWAY", region.name),
            receiver=Station(subscription.receiving_application, subscription.receiving_facility),
            control_id=delivery.id[:20],
            time=now.astimezone(region.zone),
            event_time=delivery.created,
            version=subscription.version,
            band_type=subscription.band_type,
        )
    occasion = Occasion(
        bundle_id=delivery.id,
        subscription=subscription.name,
        topic=subscription.topic,
        number=delivery.number,
        total=total,
        timestamp=delivery.created,
    )
    return orjson.dumps(notification(record, occasion, publisher(region)))


def publisher(region: Region) -> Publisher:
    """Give back who writes the FHIR resources of a region."""
    return Publisher(
        base=f"{region.address}/fhir",
        schemes=region.schemes,
        organisations=dict(region.organisations),
        software=f"bandgate {__version__}",
    )


def read_secret(place: str) -> str:
    """Give back a secret from `env:NAME` or `file:PATH`. Raises `UsageFault`, which never holds the secret."""
    kind, _, name = place.partition(":")
    if kind == "env":
        if name not in os.environ:
            raise UsageFault(f"the environment variable {name}, which region.yaml names, is not set")
        return os.environ[name]
    try:
        return Path(name).read_text(encoding="utf-8").strip()
    except OSError as error:
        raise UsageFault(f"{name}: the secret that region.yaml names cannot be read") from error
