"""How often one may guess: 10 failures in 15 minutes. Outside: RFC 4291 (IPv6 subnets)."""

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from gateway.passwords import Attempts
from tests.store.samples import NOW


def test_accounts_and_addresses_are_counted_together() -> None:
    attempts = Attempts(1)
    assert attempts.take("wren", "192.0.2.7", NOW) is None
    assert attempts.take("wren", "192.0.2.8", NOW) is None
    assert attempts.take("dipper", "192.0.2.7", NOW) is None
    assert attempts.take("wren", "192.0.2.7", NOW) == timedelta(minutes=15)
    assert attempts.take("wren", "::ffff:192.0.2.7", NOW) == timedelta(minutes=15)  # RFC 4291 section 2.5.5.2


def test_an_ipv6_subnet_is_one_address() -> None:
    """RFC 4291 section 2.5.4: the lower 64 bits are the interface's own to choose."""
    attempts = Attempts(1)
    assert attempts.take("wren", "2001:db8::1", NOW) is None
    assert attempts.take("wren", "2001:db8::ffff:2", NOW) is not None
    assert attempts.take("wren", "2001:db8:0:1::1", NOW) is None


def test_the_right_password_clears_the_count() -> None:
    attempts = Attempts(2)
    attempts.take("wren", "192.0.2.7", NOW)
    attempts.clear("wren", "192.0.2.7")
    attempts.clear("wren", "192.0.2.7")
    assert attempts.take("wren", "192.0.2.7", NOW) is None
    assert attempts.take("wren", "192.0.2.7", NOW) is None


@given(
    st.lists(st.tuples(st.sampled_from(["wren", "dipper"]), st.integers(0, 600)), max_size=60),
    st.integers(1, 4),
)
def test_never_more_than_allowed_in_any_window(steps: list[tuple[str, int]], allowed: int) -> None:
    attempts, now, taken = Attempts(allowed), NOW, {"wren": [], "dipper": []}  # type: ignore[var-annotated]
    for account, seconds in steps:
        now += timedelta(seconds=seconds)
        wait = attempts.take(account, "192.0.2.7", now)
        recent = [at for at in taken[account] if now - at < timedelta(minutes=15)]
        assert (wait is None) == (len(recent) < allowed)
        if wait is None:
            taken[account].append(now)
        else:
            assert recent[0] + timedelta(minutes=15) == now + wait
