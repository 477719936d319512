"""How much one sender may ask for, and how often one may guess a token.

* A token bucket holds what may be asked at once and fills up at the rate allowed on average. What is taken from it
  is one request, whatever becomes of it.
* A sender that is set up wrongly repeats one wrong token; who guesses tries many. So it is different wrong tokens
  that are counted, by address: the first never shuts out its neighbours behind the same address, the second soon.
* Everything is bounded: where too many senders are counted, the one seen longest ago is forgotten first.
"""

import hashlib
import secrets
from collections import OrderedDict
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.passwords import ATTEMPT_WINDOW, network_of

AT_ONCE = 2  # seconds' worth of requests that may come at once
COUNTED = 10_000  # senders that are remembered at once; about 200 bytes each


class _Level(NamedTuple):
    """How full a bucket was, and when."""

    tokens: float
    at: datetime


class Buckets:
    """Token buckets by sender."""

    def __init__(self, per_second: float, *, at_once: float, counted: int = COUNTED) -> None:
        self._rate = per_second
        self._most = max(at_once, 1.0)
        self._counted = counted
        self._levels: OrderedDict[str, _Level] = OrderedDict()

    def take(self, sender: str, now: datetime) -> timedelta | None:
        """Take one and give back None; where the bucket is empty, how long until there is one again."""
        before = self._levels.pop(sender, _Level(self._most, now))
        gone = max((now - before.at).total_seconds(), 0.0)  # a clock that was set back fills nothing
        tokens = min(before.tokens + gone * self._rate, self._most)
        empty = tokens < 1
        self._levels[sender] = _Level(tokens if empty else tokens - 1, now)
        if len(self._levels) > self._counted:
            self._levels.popitem(last=False)
        return timedelta(seconds=(1 - tokens) / self._rate) if empty else None


def buckets(per_second: float) -> Buckets:
    """Give back the buckets of a rate that the operator set."""
    return Buckets(per_second, at_once=AT_ONCE * per_second)


class WrongTokens:
    """Counts different wrong tokens by address, within a window; IPv6 addresses of one subnet are one."""

    def __init__(self, allowed: int, *, window: timedelta = ATTEMPT_WINDOW, counted: int = COUNTED) -> None:
        self._allowed = allowed
        self._window = window
        self._counted = counted
        self._key = secrets.token_bytes(16)
        self._seen: OrderedDict[str, dict[bytes, datetime]] = OrderedDict()

    def wait(self, address: str, now: datetime) -> timedelta | None:
        """How long no token of this address is looked at; None when it is."""
        times = sorted(at for at in self._seen.get(network_of(address), {}).values() if now - at < self._window)
        return times[-self._allowed] + self._window - now if len(times) >= self._allowed else None

    def note(self, address: str, token: str, now: datetime) -> None:
        """Count a wrong token; the same again is counted as one, of which the first time holds."""
        network = network_of(address)
        seen = {mark: at for mark, at in self._seen.pop(network, {}).items() if now - at < self._window}
        mark = hashlib.blake2b(token.encode(), key=self._key, digest_size=8).digest()
        seen.setdefault(mark, now)
        self._seen[network] = seen
        if len(self._seen) > self._counted:
            self._seen.popitem(last=False)
