"""One delivery's way as a table, and when a lost one is tried again.

    queued ──claimed──▶ sending ──taken──▶ delivered
                          │  ├───refused─▶ held
                          │  └───lost────▶ waiting ──claimed──▶ sending
                          └──lease over──▶ queued

A refusal is final: the receiver read it and said no. A loss is not: nobody knows whether it was read, so
the same bytes go again under the same id. No entry in the table means an error of ours.
"""

from datetime import datetime, timedelta
from enum import StrEnum

from msgspec.structs import replace

from gateway.records import Delivery, DeliveryState


class Happening(StrEnum):
    """What can happen to a delivery."""

    CLAIMED = "claimed"
    TAKEN = "taken"
    REFUSED = "refused"
    LOST = "lost"
    GIVEN_UP = "given-up"
    LEASE_OVER = "lease-over"
    RESENT = "resent"


MOVES: dict[DeliveryState, dict[Happening, DeliveryState]] = {
    DeliveryState.QUEUED: {Happening.CLAIMED: DeliveryState.SENDING},
    DeliveryState.WAITING: {Happening.CLAIMED: DeliveryState.SENDING},
    DeliveryState.SENDING: {
        Happening.TAKEN: DeliveryState.DELIVERED,
        Happening.REFUSED: DeliveryState.HELD,
        Happening.GIVEN_UP: DeliveryState.HELD,
        Happening.LOST: DeliveryState.WAITING,
        Happening.LEASE_OVER: DeliveryState.QUEUED,
    },
    DeliveryState.HELD: {Happening.RESENT: DeliveryState.QUEUED},
    DeliveryState.DELIVERED: {},
}


class Patience:
    """How long to wait before each further attempt, and when to stop."""

    def __init__(self, *, first: float, longest: float, attempts: int) -> None:
        self.first = first
        self.longest = longest
        self.attempts = attempts

    def wait(self, attempts: int, *, jitter: float) -> timedelta:
        """Give back the wait after the `attempts`-th attempt: doubling, capped, spread by `jitter` in 0..1."""
        seconds = min(self.first * 2.0 ** min(attempts - 1, 60), self.longest)
        return timedelta(seconds=seconds * (0.75 + jitter / 2))


def moved(delivery: Delivery, happening: Happening, *, now: datetime, reason: str | None = None) -> Delivery:
    """Give back the delivery after `happening`. Raises `KeyError` for a move the table does not have."""
    state = MOVES[delivery.state][happening]
    settled = now if state in (DeliveryState.DELIVERED, DeliveryState.HELD) else None
    return replace(delivery, state=state, reason=reason, settled=settled)


def lost(delivery: Delivery, patience: Patience, *, now: datetime, jitter: float, reason: str) -> Delivery:
    """Give back a lost delivery: waiting for its next attempt, or held when patience has run out."""
    if delivery.attempts >= patience.attempts:
        return moved(delivery, Happening.GIVEN_UP, now=now, reason=reason)
    waiting = moved(delivery, Happening.LOST, now=now, reason=reason)
    return replace(waiting, due=now + patience.wait(delivery.attempts, jitter=jitter))
