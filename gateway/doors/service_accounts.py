"""Who may use the report web service: accounts of feeds, by user name and password in each request.

* A wrong password costs an Argon2 hash, an unknown user name the same; both are counted by name and address, and after
  some failures the password is not even looked at (`gateway.passwords`).
* A right one is remembered for a short while, as its keyed digest and never in clear: a hash for each request would
  leave no time for the reports. Requests that come together with one password share one hash.
"""

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.adapters.report_service_requests import Credentials
from gateway.passwords import Attempts, Passwords
from gateway.region import Feed, Region

REMEMBERED = timedelta(minutes=5)
_KEY_BYTES = 32


class SignedIn(NamedTuple):
    """The password fits; `feed` is the account's."""

    feed: Feed


class Denied(NamedTuple):
    """No such user name, or another password; with `wait` the password was not looked at."""

    wait: timedelta | None = None


class Busy(NamedTuple):
    """So many passwords wait to be looked at that another would only add to a flood."""


class ServiceAccounts:
    """The accounts of one region, as one process knows them."""

    def __init__(self, region: Region, passwords: Passwords, attempts: Attempts, clock: Callable[[], datetime]) -> None:
        self._region = region
        self._passwords = passwords
        self._attempts = attempts
        self._clock = clock
        self._key = secrets.token_bytes(_KEY_BYTES)
        self._right: dict[str, tuple[bytes, datetime]] = {}  # by user name: the digest, and how long it counts
        self._looking: dict[bytes, asyncio.Task[SignedIn | Denied | Busy]] = {}

    async def sign_in(self, credentials: Credentials, address: str) -> SignedIn | Denied | Busy:
        """Decide about one request."""
        feed = self._region.find_feed_by_account(credentials.username)
        digest = self._digest(credentials, feed)
        right, until = self._right.get(credentials.username, (b"", self._clock()))
        if feed is not None and hmac.compare_digest(right, digest) and self._clock() < until:
            return SignedIn(feed)
        looking = self._looking.get(digest)
        if looking is None:
            looking = asyncio.create_task(self._look(credentials, feed, digest, address), name="service-sign-in")
            self._looking[digest] = looking
            looking.add_done_callback(lambda _: self._looking.pop(digest))
        return await looking

    async def _look(
        self, credentials: Credentials, feed: Feed | None, digest: bytes, address: str
    ) -> SignedIn | Denied | Busy:
        username, now = credentials.username, self._clock()
        if self._passwords.busy:
            return Busy()
        wait = self._attempts.take(username, address, now)
        if wait is not None:
            return Denied(wait)
        password_hash = feed.service.password_hash if feed is not None and feed.service else None
        if not await self._passwords.fit(password_hash, credentials.password) or feed is None:
            return Denied()
        self._attempts.clear(username, address)
        self._right[username] = (digest, now + REMEMBERED)
        return SignedIn(feed)

    def _digest(self, credentials: Credentials, feed: Feed | None) -> bytes:
        """What a pair is known again by in this process, while the account has this hash."""
        known = feed.service.password_hash if feed is not None and feed.service else ""
        text = "\0".join((credentials.username, credentials.password, known))
        return hmac.digest(self._key, text.encode("utf-8", "surrogatepass"), hashlib.sha256)
