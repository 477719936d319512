"""One delivery's way: every move is in the table, every other is an error; waits double, are capped and spread."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.records import Delivery, DeliveryState
from gateway.routing.delivery import MOVES, Happening, Patience, lost, moved
from tests.linking.people import NOON

PATIENCE = Patience(first=1, longest=300, attempts=5)


def delivery(state: DeliveryState, attempts: int = 1) -> Delivery:
    return Delivery(
        id="d", subscription="s", episode="e", number=1, state=state, attempts=attempts, due=NOON, created=NOON
    )


@pytest.mark.parametrize("state", DeliveryState)
@pytest.mark.parametrize("happening", Happening)
def test_only_moves_of_the_table_happen(state: DeliveryState, happening: Happening) -> None:
    if happening in MOVES[state]:
        assert moved(delivery(state), happening, now=NOON).state is MOVES[state][happening]
    else:
        with pytest.raises(KeyError):
            moved(delivery(state), happening, now=NOON)


def test_every_state_has_a_row() -> None:
    assert set(MOVES) == set(DeliveryState)


def test_a_settled_delivery_knows_when() -> None:
    assert moved(delivery(DeliveryState.SENDING), Happening.TAKEN, now=NOON).settled == NOON
    assert moved(delivery(DeliveryState.SENDING), Happening.LEASE_OVER, now=NOON).settled is None


def test_a_lost_delivery_waits_and_is_given_up_at_last() -> None:
    waiting = lost(delivery(DeliveryState.SENDING, 2), PATIENCE, now=NOON, jitter=0.5, reason="silence")
    assert (waiting.state, waiting.due, waiting.reason) == (
        DeliveryState.WAITING,
        NOON + timedelta(seconds=2),
        "silence",
    )
    assert (
        lost(delivery(DeliveryState.SENDING, 5), PATIENCE, now=NOON, jitter=0.5, reason="silence").state
        is DeliveryState.HELD
    )


@given(st.integers(min_value=1, max_value=10_000), st.floats(min_value=0, max_value=1))
def test_waits_stay_within_their_bounds(attempts: int, jitter: float) -> None:
    assert timedelta(seconds=0.75) <= PATIENCE.wait(attempts, jitter=jitter) <= timedelta(seconds=375)
