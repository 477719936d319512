"""Who may see the pages: accounts, the signed cookie, and the decision about one attempt.

* What a password costs to compare and how often one may guess is the affair of `gateway.passwords`.
* The cookie is signed, not secret: the account, an end after twelve hours, a random id, and an HMAC (RFC 2104)
  under a key made when the process starts. The store's key seals patients' data and has no second use. A
  restart signs everybody out; a cookie is good with the process that gave it.
* Signing out ends the cookie here too, not only in the browser.
"""

import base64
import binascii
import hashlib
import hmac
import secrets
from datetime import datetime, timedelta
from typing import NamedTuple

import msgspec
from argon2 import PasswordHasher

from gateway.passwords import Attempts, Passwords
from gateway.store import accounts
from gateway.store.accounts import Account
from gateway.store.database import Database
from gateway.store.transaction import Tx

FIRST_ACCOUNT = "coordinator"
SESSION_LENGTH = timedelta(hours=12)

_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is mistaken for another: no i, l, o, 0, 1
_GROUPS, _GROUP = 4, 5  # 20 characters of 31: 99 bits
_BUSY = timedelta(seconds=5)
_KEY_BYTES = 32

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
