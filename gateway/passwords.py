"""Who guesses passwords: comparing them costs the guesser dear, and he may not do it often.

* Passwords are kept as Argon2id (RFC 9106). An unknown account costs the same hash as a known one, so the
  time of an answer does not tell which accounts exist.
* An attempt is counted before its password is looked at, so many at once gain nothing; a right one clears the
  count. Accounts and addresses are counted together: nobody can lock a colleague out from another place.
"""

import asyncio
import ipaddress
import secrets
from collections import OrderedDict
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError

ATTEMPT_WINDOW = timedelta(minutes=15)

_HASHES_AT_ONCE = 2  # each takes 64 MiB and about 0.2 s of processor time
_HASHES_WAITING = 50  # some seconds of waiting; more than a region has coordinators
_NAME_LENGTH = 100  # of an account's name, as far as it is told apart
_HOST_BITS = 64  # RFC 4291 section 2.5.4: who has one IPv6 address has the other 2**64 of its subnet too


class Passwords:
    """Compares passwords with what is kept of them, a few at a time and away from the event loop."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        """Take the costs of a hash; those of RFC 9106's second recommendation (64 MiB) unless told otherwise."""
        self._hasher = hasher or PasswordHasher()
        self._of_nobody = self._hasher.hash(secrets.token_hex())
        self._turns = asyncio.Semaphore(_HASHES_AT_ONCE)
        self._waiting = 0

    @property
    def busy(self) -> bool:
        """Whether so many wait already that another would only add to a flood."""
        return self._waiting >= _HASHES_WAITING

    async def fit(self, password_hash: str | None, password: str) -> bool:
        """Whether the password is the one that was hashed; False, after the same work, where there is no hash."""
        self._waiting += 1
        try:
            async with self._turns:
                return await asyncio.to_thread(self._fit, password_hash, password)
        finally:
            self._waiting -= 1

    def _fit(self, password_hash: str | None, password: str) -> bool:
        try:
            self._hasher.verify(password_hash or self._of_nobody, password)
        except VerifyMismatchError:
            return False
        return password_hash is not None


class Attempts:
    """Counts attempts by account and address, and forgets what is older than the window.

    How many counts there can be is bounded by what an attempt costs: `Passwords` takes a few dozen a second at most.
    """

    def __init__(self, allowed: int, *, window: timedelta = ATTEMPT_WINDOW) -> None:
        """Allow so many failures within the window."""
        self._allowed = allowed
        self._window = window
        self._times: OrderedDict[tuple[str, str], list[datetime]] = OrderedDict()

    def take(self, account: str, address: str, now: datetime) -> timedelta | None:
        """Count an attempt and give back None; where none is left, count nothing and give back how long to wait."""
        key = _key(account, address)
        times = [at for at in self._times.get(key, ()) if now - at < self._window]
        if len(times) >= self._allowed:
            return times[-self._allowed] + self._window - now
        self._times[key] = [*times, now]
        self._times.move_to_end(key)
        self._forget(now)
        return None

    def clear(self, account: str, address: str) -> None:
        """Forget what was counted: the right password was given."""
        self._times.pop(_key(account, address), None)

    def _forget(self, now: datetime) -> None:
        """Drop what has left the window; the key that was counted longest ago stands first."""
        while now - next(iter(self._times.values()))[-1] >= self._window:
            self._times.popitem(last=False)


def _key(account: str, address: str) -> tuple[str, str]:
    """What is counted together: one account, and one network."""
    return account[:_NAME_LENGTH], network_of(address)


def network_of(address: str) -> str:
    """Give back what is counted as one sender: one IPv4 address, or one IPv6 subnet."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address  # a socket without an address, such as a Unix one
    if isinstance(parsed, ipaddress.IPv6Address):
        parsed = parsed.ipv4_mapped or ipaddress.IPv6Address(int(parsed) >> _HOST_BITS << _HOST_BITS)
    return str(parsed)
