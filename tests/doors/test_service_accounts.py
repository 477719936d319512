"""Who may use the report web service, and how often one may guess. Outside: RFC 9106 (Argon2)."""

import asyncio
import gc
import statistics
import time
from dataclasses import replace
from datetime import timedelta

from argon2 import PasswordHasher

from gateway.adapters.report_service_requests import Credentials
from gateway.doors.service_accounts import REMEMBERED, Busy, Denied, ServiceAccounts, SignedIn
from gateway.passwords import Attempts, Passwords
from gateway.region import Region
from gateway.region_file import ServiceEntry
from tests.service import CHEAP, FEED, ORGANIZATION, PASSWORD, USER, region_with_account
from tests.working import Clock

HERE = "192.0.2.7"
RIGHT = Credentials(USER, PASSWORD, ORGANIZATION)
WRONG = RIGHT._replace(password="wrong")


class Counting(PasswordHasher):
    """A real hasher that says how often it was asked."""

    asked = 0

    def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # noqa: A002
        self.asked += 1
        return bool(super().verify(hash, password))  # type: ignore[arg-type]


def accounts(
    region: Region | None = None, hasher: PasswordHasher = CHEAP, allowed: int = 3
) -> tuple[ServiceAccounts, Clock]:
    clock = Clock()
    return ServiceAccounts(region or region_with_account(), Passwords(hasher), Attempts(allowed), clock), clock


def counting() -> Counting:
    return Counting(time_cost=1, memory_cost=8, parallelism=1)


def test_a_right_pair_is_its_feed_s() -> None:
    found, _ = accounts()
    signed = asyncio.run(found.sign_in(RIGHT, HERE))
    assert isinstance(signed, SignedIn)
    assert signed.feed.name == FEED


def test_anything_else_is_denied_in_one_voice() -> None:
    found, _ = accounts(allowed=100)
    for pair in (
        WRONG,
        RIGHT._replace(username="nobody"),
        RIGHT._replace(username="Harrow"),
        WRONG._replace(password=""),
    ):
        assert asyncio.run(found.sign_in(pair, HERE)) == Denied()


def test_a_right_password_is_hashed_once_in_a_while() -> None:
    hasher = counting()
    found, clock = accounts(hasher=hasher)
    for _ in range(5):
        asyncio.run(found.sign_in(RIGHT, HERE))
    assert hasher.asked == 1
    asyncio.run(found.sign_in(WRONG, HERE))
    assert hasher.asked == 2, "a wrong one is never remembered, nor taken for the right one"
    clock.now += REMEMBERED
    asyncio.run(found.sign_in(RIGHT, HERE))
    assert hasher.asked == 3


def test_no_password_is_held_in_clear() -> None:
    found, _ = accounts()
    asyncio.run(found.sign_in(RIGHT, HERE))
    asyncio.run(found.sign_in(WRONG._replace(password="another word"), HERE))
    gc.collect()
    assert PASSWORD not in repr(vars(found))
    assert "another word" not in repr(vars(found))


def test_a_changed_hash_counts_at_once() -> None:
    region = region_with_account()
    found, _ = accounts(region)
    asyncio.run(found.sign_in(RIGHT, HERE))
    entry = ServiceEntry(username=USER, password_hash=CHEAP.hash("another"), organization=ORGANIZATION)
    region.feeds[FEED] = replace(region.feeds[FEED], service=entry)
    assert asyncio.run(found.sign_in(RIGHT, HERE)) == Denied()
    assert isinstance(asyncio.run(found.sign_in(RIGHT._replace(password="another"), HERE)), SignedIn)


def test_too_many_failures_lock_the_account_out_for_this_address() -> None:
    hasher = counting()
    found, clock = accounts(hasher=hasher)
    for _ in range(3):
        assert asyncio.run(found.sign_in(WRONG, HERE)) == Denied()
    locked = asyncio.run(found.sign_in(RIGHT, HERE))
    assert isinstance(locked, Denied)
    assert locked.wait is not None
    assert timedelta(minutes=14) < locked.wait < timedelta(minutes=15)
    assert hasher.asked == 3, "the password was not looked at"
    assert isinstance(asyncio.run(found.sign_in(RIGHT, "192.0.2.8")), SignedIn)
    clock.now += timedelta(minutes=15)
    assert isinstance(asyncio.run(found.sign_in(RIGHT, HERE)), SignedIn)


def test_an_account_in_use_is_not_locked_out_by_somebody_who_guesses_beside_it() -> None:
    found, _ = accounts()
    asyncio.run(found.sign_in(RIGHT, HERE))
    for number in range(10):
        asyncio.run(found.sign_in(WRONG._replace(password=str(number)), HERE))
    assert isinstance(asyncio.run(found.sign_in(RIGHT, HERE)), SignedIn)


def test_requests_that_come_together_share_a_hash_and_an_attempt() -> None:
    """A client that opens thirty connections at once is no guesser."""
    hasher = counting()
    found, _ = accounts(hasher=hasher)

    async def rush() -> list[object]:
        return await asyncio.gather(*(found.sign_in(RIGHT, HERE) for _ in range(30)))

    assert all(isinstance(each, SignedIn) for each in asyncio.run(rush()))
    assert hasher.asked == 1


def test_many_guesses_at_once_gain_nothing() -> None:
    found, _ = accounts()

    async def rush() -> list[object]:
        return await asyncio.gather(*(found.sign_in(WRONG._replace(password=str(n)), HERE) for n in range(30)))

    decisions = asyncio.run(rush())
    assert decisions.count(Denied()) == 3
    assert sum(isinstance(each, Denied) and each.wait is not None for each in decisions) == 27


def test_a_flood_is_turned_away_before_it_piles_up() -> None:
    found, _ = accounts()

    async def flood() -> list[object]:
        return await asyncio.gather(*(found.sign_in(WRONG._replace(username=str(n)), HERE) for n in range(80)))

    assert Busy() in asyncio.run(flood())


def test_an_unknown_name_takes_as_long_as_a_known_one() -> None:
    """In processor time, with a hash of some milliseconds: without the hash of nobody it would be none."""
    slow = PasswordHasher(time_cost=2, memory_cost=16 * 1024, parallelism=1)
    region = region_with_account()
    entry = ServiceEntry(username=USER, password_hash=slow.hash(PASSWORD), organization=ORGANIZATION)
    region.feeds[FEED] = replace(region.feeds[FEED], service=entry)
    found, _ = accounts(region, slow, allowed=100)

    async def seconds(name: str) -> float:
        times = []
        for _ in range(9):
            begun = time.process_time()
            assert await found.sign_in(WRONG._replace(username=name), HERE) == Denied()
            times.append(time.process_time() - begun)
        return statistics.median(times)

    known, unknown = asyncio.run(seconds(USER)), asyncio.run(seconds("nobody"))
    assert known / 2 < unknown < known * 2
