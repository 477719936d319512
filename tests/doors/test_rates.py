"""Token buckets and wrong tokens, against a plain account of what was let through.

A bucket of size b that fills at rate r lets through at most b + r·t in any time t (the leaky bucket as a meter,
ITU-T I.371; from memory).
"""

from datetime import timedelta
from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from gateway.doors.rates import Buckets, WrongTokens
from tests.working import START

SECOND = timedelta(seconds=1)


def test_so_many_at_once_and_then_so_many_a_second() -> None:
    buckets = Buckets(2.0, at_once=3)
    assert [buckets.take("a", START) for _ in range(4)] == [None, None, None, SECOND / 2]
    assert buckets.take("a", START + SECOND / 2) is None
    assert buckets.take("a", START + SECOND / 2) is not None
    assert buckets.take("b", START) is None, "another sender has a bucket of its own"


def test_a_rate_below_one_lets_one_through_all_the_same() -> None:
    buckets = Buckets(0.1, at_once=0.2)
    assert buckets.take("a", START) is None
    assert buckets.take("a", START) == timedelta(seconds=10)


def test_a_clock_that_is_set_back_fills_nothing_and_holds_nobody_up_for_longer() -> None:
    buckets = Buckets(1.0, at_once=1)
    assert buckets.take("a", START) is None
    back = START - timedelta(days=1)
    assert buckets.take("a", back) == SECOND
    assert buckets.take("a", back + SECOND) is None


def test_senders_are_forgotten_before_memory_is() -> None:
    buckets = Buckets(1.0, at_once=1, counted=100)
    for number in range(1000):
        buckets.take(str(number), START)
    assert len(buckets._levels) == 100
    assert buckets.take("999", START) is not None
    assert buckets.take("0", START) is None


@given(
    st.floats(0.2, 50),
    st.integers(1, 20),
    st.lists(st.integers(0, 3000), min_size=1, max_size=60),
)
def test_no_time_sees_more_than_the_bucket_and_its_rate(rate: float, at_once: int, waits: list[int]) -> None:
    buckets, now, passed = Buckets(rate, at_once=at_once), START, []
    for milliseconds in waits:
        now += timedelta(milliseconds=milliseconds)
        wait = buckets.take("a", now)
        if wait is None:
            passed.append(now)
        else:
            assert timedelta(0) < wait <= timedelta(seconds=1 / rate) + timedelta(microseconds=1)
    for (first, early), (last, late) in combinations(enumerate(passed), 2):
        assert last - first + 1 <= at_once + rate * (late - early).total_seconds() + 1e-3


def test_different_wrong_tokens_shut_an_address_out_and_the_same_again_does_not() -> None:
    wrong = WrongTokens(3)
    for _ in range(100):
        wrong.note("192.0.2.1", "mistyped", START)
    assert wrong.wait("192.0.2.1", START) is None
    wrong.note("192.0.2.1", "guess 1", START + SECOND)
    wrong.note("192.0.2.1", "guess 2", START + 2 * SECOND)
    assert wrong.wait("192.0.2.1", START + 2 * SECOND) == timedelta(minutes=15) - 2 * SECOND
    assert wrong.wait("192.0.2.2", START) is None
    assert wrong.wait("192.0.2.1", START + timedelta(minutes=15)) is None


def test_a_network_of_ipv6_is_one_sender() -> None:
    """RFC 4291, 2.5.4: who has one address has the other 2**64 of its subnet too."""
    wrong = WrongTokens(2)
    wrong.note("2001:db8::1", "a", START)
    wrong.note("2001:db8::ffff", "b", START)
    assert wrong.wait("2001:db8::2", START) is not None
    assert wrong.wait("2001:db8:0:1::2", START) is None


def test_addresses_are_forgotten_before_memory_is_and_no_token_is_held() -> None:
    wrong = WrongTokens(5, counted=10)
    for number in range(100):
        wrong.note(f"192.0.2.{number}", "a secret that was mistyped", START)
    assert len(wrong._seen) == 10
    assert "mistyped" not in repr(vars(wrong))
