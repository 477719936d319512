"""Who may see the pages: accounts, passwords, the signed cookie, and how often one may guess.

* Passwords are kept as Argon2id (RFC 9106). An unknown account costs the same hash as a known one, so the
  time of an answer does not tell which accounts exist.
* An attempt is counted before its password is looked at, so many at once gain nothing; a right one clears the
  count. Accounts and addresses are counted together: nobody can lock a colleague out from another place.
* The cookie is signed, not secret: the account, an end after twelve hours, a random id, and an HMAC (RFC 2104)
  under a key made when the process starts. The store's key seals patients' data and has no second use. A
  restart signs everybody out; a cookie is good with the process that gave it.
* Signing out ends the cookie here too, not only in the browser.
"""

import asyncio
import base64
import binascii
import hashlib
import hmac
import ipaddress
import secrets
from collections import OrderedDict
from datetime import datetime, timedelta
from typing import NamedTuple

import msgspec
from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError

from gateway.store import accounts
from gateway.store.accounts import Account
from gateway.store.database import Database
from gateway.store.transaction import Tx

FIRST_ACCOUNT = "coordinator"
SESSION_LENGTH = timedelta(hours=12)
ATTEMPT_WINDOW = timedelta(minutes=15)

_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is mistaken for another: no i, l, o, 0, 1
_GROUPS, _GROUP = 4, 5  # 20 characters of 31: 99 bits
_HASHES_AT_ONCE = 2  # each takes 64 MiB and about 0.2 s of processor time
_HASHES_WAITING = 50  # some seconds of waiting; more than a region has coordinators
_BUSY = timedelta(seconds=5)
_NAME_LENGTH = 100  # of an account's name, as far as it is told apart
_KEY_BYTES = 32
_HOST_BITS = 64  # RFC 4291 section 2.5.4: who has one IPv6 address has the other 2**64 of its subnet too

# ── passwords ──────────────────────────────────────────────────────────────────────────────────────


class FirstAccount(NamedTuple):
    """The account made at the first start, and its password, which is kept nowhere else."""

    name: str
    password: str


def first_account(database: Database, *, now: datetime) -> FirstAccount | None:
    """Make the account "coordinator" where there is none at all; None where there is.

    The password is to be shown once. Not for use on an event loop: it waits for the commit.
    """
    if database.read(accounts.everyone):
        return None
    made = FirstAccount(FIRST_ACCOUNT, readable_password())
    account = Account(name=made.name, password_hash=PasswordHasher().hash(made.password), created=now)
    return made if database.write(lambda tx: _add_first(tx, account)) else None


def _add_first(tx: Tx, account: Account) -> bool:
    tx.lock("accounts")  # two processes may start at once
    if accounts.everyone(tx):
        return False
    accounts.add(tx, account)
    return True


def readable_password() -> str:
    """Give back a random password that can be read aloud: `k7mqx-3tpwd-…`, four groups of five."""
    groups = ("".join(secrets.choice(_ALPHABET) for _ in range(_GROUP)) for _ in range(_GROUPS))
    return "-".join(groups)


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


# ── how often one may guess ────────────────────────────────────────────────────────────────────────


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
    """What is counted together: one account, and one IPv4 address or one IPv6 subnet."""
    account = account[:_NAME_LENGTH]
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return account, address  # a socket without an address, such as a Unix one
    if isinstance(parsed, ipaddress.IPv6Address):
        parsed = parsed.ipv4_mapped or ipaddress.IPv6Address(int(parsed) >> _HOST_BITS << _HOST_BITS)
    return account, str(parsed)


# ── the cookie ─────────────────────────────────────────────────────────────────────────────────────


class Session(msgspec.Struct, frozen=True):
    """One sign-in: whose, until when (seconds since 1970), and a random id by which it can be ended."""

    account: str
    ends: int
    id: str


class Sessions:
    """Signs cookies and checks them."""

    def __init__(self, key: bytes | None = None) -> None:
        """Take a key, or make a random one, which is what a process does when it starts."""
        self._key = key or secrets.token_bytes(_KEY_BYTES)
        self._ended: dict[str, int] = {}

    def begin(self, account: str, now: datetime) -> str:
        """Give back the text of a new cookie."""
        session = Session(account, int((now + SESSION_LENGTH).timestamp()), secrets.token_urlsafe())
        body = _encode(msgspec.json.encode(session))
        return f"{body}.{self._signature(body)}"

    def find(self, cookie: str, now: datetime) -> Session | None:
        """Give back the session of a cookie of ours that has not ended; never raises, whatever the text."""
        body, _, signature = cookie.partition(".")
        if not hmac.compare_digest(self._signature(body).encode(), signature.encode()):
            return None
        try:
            session = msgspec.json.decode(_decode(body), type=Session)
        except (binascii.Error, msgspec.DecodeError):
            return None
        return session if now.timestamp() < session.ends and session.id not in self._ended else None

    def end(self, session: Session, now: datetime) -> None:
        """Let the session's cookie count no more."""
        seconds = now.timestamp()
        self._ended = {id_: ends for id_, ends in self._ended.items() if ends > seconds} | {session.id: session.ends}

    def _signature(self, body: str) -> str:
        return _encode(hmac.digest(self._key, body.encode(), hashlib.sha256))


def _encode(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).decode().rstrip("=")


def _decode(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


# ── the decision ───────────────────────────────────────────────────────────────────────────────────


class SignedIn(NamedTuple):
    """Name and password fit."""

    account: str


class WrongPair(NamedTuple):
    """There is no such account, or it has another password; which of the two is not said."""


class LockedOut(NamedTuple):
    """Too many attempts; the password was not looked at."""

    wait: timedelta


async def sign_in(
    database: Database,
    passwords: Passwords,
    attempts: Attempts,
    *,
    account: str,
    password: str,
    address: str,
    now: datetime,
) -> SignedIn | WrongPair | LockedOut:
    """Decide about one attempt, and count it. Raises `StoreUnavailable`."""
    kept = await database.aread(lambda tx: _find(tx, account))
    # From here to the hash nothing else gets a turn: what is free when it is looked at is still free when taken.
    wait = _BUSY if passwords.busy else attempts.take(account, address, now)
    if wait is not None:
        return LockedOut(wait)
    if not await passwords.fit(kept.password_hash if kept else None, password):
        return WrongPair()
    attempts.clear(account, address)
    return SignedIn(account)


def _find(tx: Tx, name: str) -> Account | None:
    """Find the account; a name that no database takes is no account's name."""
    return accounts.find(tx, name) if name.isprintable() else None
