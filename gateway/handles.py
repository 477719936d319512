"""Handles of submissions: the names under which a client asks again what became of one.

* What was worked on has a row, and its handle is the id of that row and of the message.
* What was refused before - a wrong password, a wrong parameter - writes nothing, or anybody could fill the disk. Its
  handle is the answer itself, sealed with the store's key: it cannot be made up, says nothing to whoever holds it, and
  survives a restart. All answers a client gets have a handle (NEMSIS receive-and-process guide: the compliance test
  asks for the status of every submission, failed logins included).
"""

import base64
import binascii
import re
from datetime import datetime
from typing import NamedTuple

from gateway.adapters.report_service import Status
from gateway.errors import GatewayFault
from gateway.store.encryption import KeyRing
from gateway.store.times import from_micros, to_micros

NOBODY = ""  #: the feed of an answer to whoever did not sign in: all may ask for it
_PLACE = "handles"
_STORED = re.compile(r"[0-9a-z]{20,40}")
_SEALED = re.compile(r"[A-Z][0-9A-Za-z_-]{50,4000}")  # the form byte of what is sealed makes it begin with a capital


class SealedAnswer(NamedTuple):
    """An answer that its handle tells: which code, to whom, and when."""

    code: Status
    feed: str
    at: datetime


def seal(keys: KeyRing, answer: SealedAnswer) -> str:
    """Give back the handle that tells this answer."""
    text = f"{int(answer.code)} {to_micros(answer.at)} {answer.feed}"
    return base64.urlsafe_b64encode(keys.seal(text.encode(), place=_PLACE)).decode().rstrip("=")


def open_sealed(keys: KeyRing, handle: str) -> SealedAnswer | None:
    """Give back the answer that a handle tells; None for one that is no such handle, or was changed."""
    if not _SEALED.fullmatch(handle):
        return None
    try:
        opened = keys.open(base64.urlsafe_b64decode(handle + "=" * (-len(handle) % 4)), place=_PLACE)
    except (GatewayFault, binascii.Error):
        return None
    code, micros, feed = opened.decode().split(" ", 2)
    return SealedAnswer(Status(int(code)), feed, from_micros(int(micros)))


def is_stored(handle: str) -> bool:
    """Whether a handle has the form of those that have a row."""
    return _STORED.fullmatch(handle) is not None
