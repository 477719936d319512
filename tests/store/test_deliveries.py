"""The queue of deliveries: order, leases, claims by several processes."""

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.errors import GatewayFault
from gateway.records import Delivery, DeliveryState
from gateway.store import deliveries, episodes
from gateway.store.database import Database
from gateway.store.deliveries import Claimed
from gateway.store.transaction import Tx
from tests.store.samples import NOW, SECOND, episode, new_id

SUB = "anvil-head"
LEASE = timedelta(seconds=60)


@pytest.fixture
def homes(database: Database) -> list[str]:
    made = [episode() for _ in range(3)]
    database.write(lambda tx: [episodes.add(tx, each) for each in made] and None)
    return [each.id for each in made]


def delivery(number: int, home: str, subscription: str = SUB, late: float = 0) -> Delivery:
    return Delivery(
        id=new_id("delivery"),
        subscription=subscription,
        episode=home,
        number=number,
        state=DeliveryState.QUEUED,
        attempts=0,
        due=NOW + late * SECOND,
        created=NOW,
    )


def queue(database: Database, *homes: str, subscription: str = SUB) -> list[Delivery]:
    made = [delivery(number, home, subscription) for number, home in enumerate(homes, 1)]
    database.write(lambda tx: deliveries.queue(tx, made))
    return made


def claim(database: Database, *, late: float = 0, worker: str = "w", subscription: str = SUB) -> Claimed | None:
    now = NOW + late * SECOND
    return database.write(lambda tx: deliveries.claim(tx, subscription, now=now, worker=worker, lease=LEASE))


def claimed(database: Database, **options: object) -> Delivery:
    found = claim(database, **options)  # type: ignore[arg-type]
    assert found is not None
    return found.delivery


def settle(
    database: Database, each: Delivery, state: DeliveryState = DeliveryState.DELIVERED, worker: str = "w"
) -> bool:
    return database.write(lambda tx: deliveries.settle(tx, each.id, state, worker=worker, at=NOW, answer="200"))


def test_a_claim_takes_the_first_and_says_so(database: Database, homes: list[str]) -> None:
    first, second = queue(database, homes[0], homes[1])
    one = claimed(database)
    assert (one.id, one.state, one.attempts) == (first.id, DeliveryState.SENDING, 1)
    assert claimed(database).id == second.id
    assert claim(database) is None


def test_a_later_delivery_about_the_same_episode_waits(database: Database, homes: list[str]) -> None:
    """Design, section 4, step 6: in order per subscriber and episode."""
    first, second, other = queue(database, homes[0], homes[0], homes[1])
    assert claimed(database).id == first.id
    assert claimed(database).id == other.id
    assert claim(database) is None
    assert settle(database, first)
    assert claimed(database).id == second.id


def test_another_subscription_is_another_queue(database: Database, homes: list[str]) -> None:
    queue(database, homes[0])
    (other,) = queue(database, homes[0], subscription="fenwick")
    claimed(database)
    assert claimed(database, subscription="fenwick").id == other.id


def test_nothing_is_claimed_before_it_is_due(database: Database, homes: list[str]) -> None:
    made = delivery(1, homes[0], late=5)
    database.write(lambda tx: deliveries.queue(tx, [made]))
    assert claim(database, late=4.999999) is None
    assert claimed(database, late=5).id == made.id


@pytest.mark.parametrize(("late", "is_believed"), [(60, True), (61, False)])
def test_a_due_time_beyond_the_horizon_means_nothing(
    database: Database, homes: list[str], late: float, is_believed: bool
) -> None:
    """Common practice, no source: what lies further ahead than any wait was written before the clock was set back."""
    made = delivery(1, homes[0], late=late)
    database.write(lambda tx: deliveries.queue(tx, [made]))
    horizon = 60 * SECOND
    assert database.read(lambda tx: deliveries.is_ready(tx, SUB, now=NOW, horizon=horizon)) is not is_believed
    found = database.write(lambda tx: deliveries.claim(tx, SUB, now=NOW, worker="w", lease=LEASE, horizon=horizon))
    assert (found is None) is is_believed


def test_a_lease_beyond_the_horizon_has_ended(database: Database, homes: list[str]) -> None:
    queue(database, homes[0])
    claimed(database)  # for a minute

    def release(horizon: float) -> int:
        return database.write(lambda tx: deliveries.release_expired(tx, now=NOW, horizon=horizon * SECOND))

    assert release(60) == 0
    assert release(59.9) == 1


def test_a_delivery_put_off_keeps_back_its_episode_until_it_is_due(database: Database, homes: list[str]) -> None:
    first, second = queue(database, homes[0], homes[0])
    claimed(database)
    put_off = database.write(
        lambda tx: deliveries.wait(tx, first.id, worker="w", due=NOW + 9 * SECOND, reason="no answer")
    )
    assert put_off
    assert claim(database, late=8) is None
    again = claimed(database, late=9)
    assert (again.id, again.attempts) == (first.id, 2)
    assert second.number == 2


def test_a_held_delivery_lets_later_ones_pass(database: Database, homes: list[str]) -> None:
    first, second = queue(database, homes[0], homes[0])
    claimed(database)
    assert settle(database, first, DeliveryState.HELD)
    assert claimed(database).id == second.id
    held = database.read(lambda tx: deliveries.get(tx, first.id))
    assert (held.state, held.settled) == (DeliveryState.HELD, NOW)
    assert database.read(lambda tx: deliveries.find_answer(tx, first.id)) == "200"


def test_a_lease_that_ends_frees_the_delivery(database: Database, homes: list[str]) -> None:
    """Style, habit 17: claims expire; a repeat carries the same id."""
    (first,) = queue(database, homes[0])
    claimed(database, worker="dead")

    def release(late: float) -> int:
        return database.write(lambda tx: deliveries.release_expired(tx, now=NOW + late * SECOND))

    assert release(59.9) == 0
    assert claim(database, late=59.9) is None
    assert release(60) == 1
    again = claimed(database, late=60, worker="alive")
    assert (again.id, again.attempts) == (first.id, 2)
    assert not settle(database, first, worker="dead"), "the dead worker has lost it"
    assert settle(database, first, worker="alive")


def test_a_worker_that_stops_gives_back_what_it_has(database: Database, homes: list[str]) -> None:
    queue(database, homes[0], homes[1])
    claimed(database, worker="a")
    other = claimed(database, worker="b")
    assert database.write(lambda tx: deliveries.give_back(tx, worker="a")) == 1
    assert claimed(database, worker="c").number == 1
    assert settle(database, other, worker="b")


def test_a_repeat_sends_the_same_bytes(database: Database, homes: list[str]) -> None:
    (first,) = queue(database, homes[0])
    found = claim(database)
    assert found is not None
    assert found.sealed is None

    def write_down(payload: bytes, worker: str = "w") -> bytes:
        return database.write(lambda tx: deliveries.set_payload(tx, first.id, payload, worker=worker))

    assert write_down(b"one") == b"one"
    assert write_down(b"two") == b"one"
    database.write(lambda tx: deliveries.give_back(tx, worker="w"))
    again = claim(database)
    assert again is not None
    assert database.read(lambda tx: deliveries.open_payload(tx, again)) == b"one"


def test_who_lost_the_claim_writes_nothing_down(database: Database, homes: list[str]) -> None:
    (first,) = queue(database, homes[0])
    with pytest.raises(GatewayFault, match="lost"):
        database.write(lambda tx: deliveries.set_payload(tx, first.id, b"x", worker="w"))
    claimed(database, worker="other")
    with pytest.raises(GatewayFault, match="lost"):
        database.write(lambda tx: deliveries.set_payload(tx, first.id, b"x", worker="w"))


def test_a_held_delivery_sent_after_all_is_written_anew(database: Database, homes: list[str]) -> None:
    (first,) = queue(database, homes[0])
    claimed(database)
    database.write(lambda tx: deliveries.set_payload(tx, first.id, b"refused", worker="w"))
    requeue = lambda tx: deliveries.requeue(tx, first.id, at=NOW)  # noqa: E731
    assert not database.write(requeue)
    settle(database, first, DeliveryState.HELD)
    assert database.write(requeue)
    found = claim(database)
    assert found is not None
    assert (found.delivery.id, found.sealed, found.delivery.settled) == (first.id, None, None)


@pytest.mark.parametrize("state", [DeliveryState.QUEUED, DeliveryState.SENDING, DeliveryState.WAITING])
def test_only_two_states_settle(database: Database, homes: list[str], state: DeliveryState) -> None:
    (first,) = queue(database, homes[0])
    claimed(database)
    with pytest.raises(ValueError, match="settled"):
        settle(database, first, state)


def test_the_next_due_time_is_that_of_what_can_go_first(database: Database, homes: list[str]) -> None:
    def next_due() -> datetime | None:
        """What is due is ready then, and not before."""
        due = database.read(lambda tx: deliveries.next_due(tx, SUB))
        for late in (0, 7, 8, 9, 67, 68):
            now = NOW + late * SECOND
            ready = database.read(lambda tx, now=now: deliveries.is_ready(tx, SUB, now=now))
            assert ready == (due is not None and due <= now)
        return due

    assert next_due() is None
    made = [delivery(1, homes[0], late=8), delivery(2, homes[0]), delivery(3, homes[1], late=9)]
    database.write(lambda tx: deliveries.queue(tx, made))
    assert next_due() == NOW + 8 * SECOND
    claimed(database, late=8)
    assert next_due() == NOW + 9 * SECOND
    claimed(database, late=9)
    assert next_due() == NOW + 68 * SECOND


def test_lists_and_counts(database: Database, homes: list[str]) -> None:
    made = queue(database, homes[0], homes[1], homes[0])
    settle(database, claimed(database))
    assert database.read(deliveries.count) == {(SUB, DeliveryState.DELIVERED): 1, (SUB, DeliveryState.QUEUED): 2}
    found = database.read(lambda tx: deliveries.in_state(tx, DeliveryState.QUEUED))
    assert [each.number for each in found] == [3, 2]
    assert [each.id for each in database.read(lambda tx: deliveries.of_episode(tx, homes[0]))] == [
        made[0].id,
        made[2].id,
    ]


def test_two_processes_never_claim_the_same(open_again: Callable[[], Database]) -> None:
    """PostgreSQL manual, SELECT, "The Locking Clause": SKIP LOCKED serves several consumers of a queue."""
    processes = [open_again(), open_again()]
    home = [episode() for _ in range(10)]
    processes[0].write(lambda tx: [episodes.add(tx, each) for each in home] and None)
    queue(processes[0], *(home[n % 10].id for n in range(60)))
    taken: list[tuple[str, int]] = []
    noting = threading.Lock()

    def work(database: Database, worker: str) -> None:
        while (found := claim(database, worker=worker)) is not None:
            with noting:
                taken.append((found.delivery.episode, found.delivery.number))
            assert settle(database, found.delivery, worker=worker)

    threads = [
        threading.Thread(target=work, args=(process, f"{name}{n}"))
        for name, process in zip("ab", processes, strict=True)
        for n in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    while (found := claim(processes[0], worker="last")) is not None:  # what was kept back when the others stopped
        taken.append((found.delivery.episode, found.delivery.number))
        settle(processes[0], found.delivery, worker="last")
    assert sorted(number for _, number in taken) == list(range(1, 61))
    for each in home:
        about = [number for episode_id, number in taken if episode_id == each.id]
        assert about == sorted(about)


# ── against a plain reckoning ──────────────────────────────────────────────────────────────────────

STEPS = st.lists(st.sampled_from(["claim", "deliver", "hold", "put off", "lose", "later"]), max_size=25)


class Reckoning:
    """The rules of the queue in the plainest Python: what must be claimed next?"""

    def __init__(self, made: list[Delivery]) -> None:
        self.state = {each.number: "ready" for each in made}
        self.home = {each.number: each.episode for each in made}
        self.due = {each.number: NOW for each in made}
        self.lease = {each.number: NOW for each in made}

    def first_of_its_episode(self, number: int) -> bool:
        return all(self.home[n] != self.home[number] or self.state[n] == "settled" for n in self.state if n < number)

    def next(self, now: object) -> int | None:
        ready = (n for n in sorted(self.state) if self.state[n] == "ready" and self.due[n] <= now)  # type: ignore[operator]
        return next((n for n in ready if self.first_of_its_episode(n)), None)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(about=st.lists(st.integers(0, 2), min_size=1, max_size=6), steps=STEPS)
def test_claims_follow_the_rules(database: Database, homes: list[str], about: list[int], steps: list[str]) -> None:
    """Design, section 4, step 6, on any course of events."""
    subscription, now, held = new_id("sub"), NOW, list[Delivery]()
    model = Reckoning(queue(database, *(homes[n] for n in about), subscription=subscription))

    def act(work: Callable[[Tx], object]) -> object:
        return database.write(work)

    for step in steps:
        if step == "later":
            now += 30 * SECOND
        elif step == "lose":
            act(lambda tx, now=now: deliveries.release_expired(tx, now=now))
            for number in [each.number for each in held if model.lease[each.number] <= now]:
                model.state[number] = "ready"
            held = [each for each in held if model.state[each.number] == "sending"]
        elif step == "claim":
            found = act(lambda tx, now=now: deliveries.claim(tx, subscription, now=now, worker="w", lease=LEASE))
            expected = model.next(now)
            assert (found.delivery.number if isinstance(found, Claimed) else None) == expected
            if isinstance(found, Claimed):
                held.append(found.delivery)
                model.state[found.delivery.number] = "sending"
                model.lease[found.delivery.number] = now + LEASE
        elif held:
            each = held.pop(0)
            if step == "put off":
                due = now + 45 * SECOND
                assert act(lambda tx, each=each, due=due: deliveries.wait(tx, each.id, worker="w", due=due))
                model.state[each.number], model.due[each.number] = "ready", due
            else:
                state = DeliveryState.DELIVERED if step == "deliver" else DeliveryState.HELD
                assert settle(database, each, state)
                model.state[each.number] = "settled"
