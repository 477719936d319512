"""Numbered events and the deliveries they queue."""

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.records import DeliveryState
from gateway.store import deliveries, episodes, events
from gateway.store.database import Database
from gateway.store.transaction import Tx
from tests.store.samples import NOW, SECOND, episode, new_id, notice


@pytest.fixture
def homes(database: Database) -> list[str]:
    made = [episode() for _ in range(3)]
    database.write(lambda tx: [episodes.add(tx, each) for each in made] and None)
    return [each.id for each in made]


def numbers(database: Database, subscription: str) -> list[int]:
    return [each.number for each in database.read(lambda tx: events.since(tx, subscription, number=0))]


def test_each_event_has_a_number_and_a_delivery(database: Database, homes: list[str]) -> None:
    told = notice("anvil-head", homes[0], due=NOW + SECOND)
    database.write(lambda tx: events.tell(tx, told))
    (event,) = database.read(lambda tx: events.since(tx, "anvil-head", number=0))
    assert (event.number, event.episode, event.created, event.content_hash) == (1, homes[0], NOW, told.content_hash)
    delivery = database.read(lambda tx: deliveries.get(tx, told.delivery))
    assert (delivery.number, delivery.episode, delivery.subscription) == (1, homes[0], "anvil-head")
    assert (delivery.state, delivery.attempts, delivery.due) == (DeliveryState.QUEUED, 0, NOW + SECOND)
    assert database.read(lambda tx: events.last_number(tx, "anvil-head")) == 1
    assert database.read(lambda tx: events.last_number(tx, "fenwick")) == 0


def test_an_unchanged_state_makes_no_event(database: Database, homes: list[str]) -> None:
    for content in ("a", "a", "b", "b", "a"):
        database.write(lambda tx, content=content: events.tell(tx, notice("anvil-head", homes[0], content)))
    assert numbers(database, "anvil-head") == [1, 2, 3]

    def both(tx: Tx) -> None:
        events.tell(tx, notice("anvil-head", homes[1], "a"))
        events.tell(tx, notice("anvil-head", homes[1], "a"))

    database.write(both)
    assert numbers(database, "anvil-head") == [1, 2, 3, 4]


def test_a_rolled_back_work_leaves_no_gap(database: Database, homes: list[str]) -> None:
    def fail(tx: Tx) -> None:
        events.tell(tx, notice("anvil-head", homes[0], new_id()))
        raise LookupError

    works: list[Callable[[Tx], None]] = [
        fail if n % 3 == 0 else lambda tx: events.tell(tx, notice("anvil-head", homes[0], new_id())) for n in range(12)
    ]
    futures = [database.submit(work) for work in works]
    assert sum(future.exception(20) is None for future in futures) == 8
    assert numbers(database, "anvil-head") == list(range(1, 9))


def test_two_processes_number_without_gaps_or_repeats(open_again: Callable[[], Database]) -> None:
    """FHIR R4 Subscriptions Backport IG 1.1, eventsSinceSubscriptionStart: counted from 1 for the subscription."""
    processes = [open_again(), open_again()]
    home = episode()
    processes[0].write(lambda tx: episodes.add(tx, home))

    def tell(tx: Tx) -> None:
        for subscription in ("fenwick", "anvil-head"):
            events.tell(tx, notice(subscription, home.id, new_id()))

    futures = [process.submit(tell) for _ in range(20) for process in processes]
    for future in futures:
        future.result(20)
    assert numbers(processes[0], "fenwick") == numbers(processes[1], "anvil-head") == list(range(1, 41))


def test_events_are_read_on_from_a_number(database: Database, homes: list[str]) -> None:
    for _ in range(5):
        database.write(lambda tx: events.tell(tx, notice("anvil-head", homes[0], new_id())))
    found = database.read(lambda tx: events.since(tx, "anvil-head", number=2, limit=2))
    assert [each.number for each in found] == [3, 4]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told=st.lists(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1)), max_size=5), max_size=5))
def test_an_event_is_made_exactly_when_the_content_changes(
    database: Database, homes: list[str], told: list[list[tuple[int, int]]]
) -> None:
    """The rule of the module, against a plain reckoning of it."""
    subscription, last, expected = new_id("sub"), dict[int, int](), []
    for batch in told:

        def work(tx: Tx, batch: list[tuple[int, int]] = batch) -> None:
            for home, content in batch:
                events.tell(tx, notice(subscription, homes[home], str(content)))

        database.write(work)
        for home, content in batch:
            if last.get(home) != content:
                expected.append(homes[home])
                last[home] = content
    found = database.read(lambda tx: events.since(tx, subscription, number=0))
    assert [(each.number, each.episode) for each in found] == list(enumerate(expected, 1))
