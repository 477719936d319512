"""`POST /lookup`: what is known under a band, for accounts of the gateway; the band stands in the body only.

Identifiers can be tried out one after the other, so misses are counted: an account that has missed too often
must wait, whatever it asks for next.
"""

import json
from collections import defaultdict, deque
from collections.abc import Callable
from datetime import datetime, timedelta
from math import ceil
from typing import Any, NamedTuple

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from gateway.doors.http import by_post, sign_in_pair
from gateway.errors import StoreUnavailable
from gateway.looking_up import look_up, note_look_up
from gateway.passwords import Attempts, Passwords
from gateway.records import Traffic
from gateway.region import Region
from gateway.store.database import Database
from gateway.web.sign_in import LockedOut, SignedIn, sign_in

BODY_BYTES = 4096  # a band, and room for whatever a scanner adds
MISS_WINDOW = timedelta(minutes=10)


class Misses:
    """Counts look-ups that found nothing, by account."""

    def __init__(self, allowed: int, *, window: timedelta = MISS_WINDOW) -> None:
        self._allowed = allowed
        self._window = window
        self._times: defaultdict[str, deque[datetime]] = defaultdict(deque)

    def take(self, account: str, now: datetime) -> timedelta | None:
        """Count a miss before it is known to be one, and give back None; or how long the account must wait."""
        times = self._times[account]
        while times and now - times[0] >= self._window:
            times.popleft()
        if len(times) >= self._allowed:
            return times[0] + self._window - now
        times.append(now)
        return None

    def forget(self, account: str, now: datetime) -> None:
        """Take back what was counted at `now`: it was no miss."""
        self._times[account].remove(now)


class LookUp:
    """The look-up of one process."""

    def __init__(
        self,
        database: Database,
        region: Region,
        clock: Callable[[], datetime],
        attempts: Attempts,
        passwords: Passwords,
    ) -> None:
        self._database = database
        self._region = region
        self._clock = clock
        self._attempts = attempts
        self._passwords = passwords
        self._misses = Misses(region.settings.look_up_misses)

    def routes(self) -> list[Route]:
        """Give back the routes."""
        return by_post("/lookup", self._answer)

    async def _answer(self, request: Request) -> Response:
        account, password = sign_in_pair(request)
        address, now = request.client.host if request.client else "", self._clock()
        try:
            said = await sign_in(
                self._database,
                self._passwords,
                self._attempts,
                account=account,
                password=password,
                address=address,
                now=now,
            )
            if isinstance(said, LockedOut):
                return _wait(said.wait)
            if not isinstance(said, SignedIn):
                return _fault(401, "sign in with account and password", {"WWW-Authenticate": 'Basic realm="gateway"'})
            return await self._look_up(request, account, now)
        except StoreUnavailable:
            return _fault(503, "try again later")

    async def _look_up(self, request: Request, account: str, now: datetime) -> Response:
        asked = await _question_in(request)
        if asked is None:
            return _fault(400, 'send {"band": "…"}, and "traffic": "test" for test traffic')
        if wait := self._misses.take(account, now):
            return _wait(wait)
        answer = await self._database.aread(lambda tx: look_up(tx, self._region, asked.band, traffic=asked.traffic))
        found = answer["episode"] is not None
        if found:
            self._misses.forget(account, now)
        await self._database.awrite(lambda tx: note_look_up(tx, who=account, found=found, at=now))
        return JSONResponse(answer, 200 if found else 404, headers={"Cache-Control": "no-store"})


class _Question(NamedTuple):
    band: str
    traffic: Traffic


async def _question_in(request: Request) -> _Question | None:
    """What is asked for; None for a body that is larger than any question, or says something else."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > BODY_BYTES:
            return None
    try:
        asked = json.loads(body, object_pairs_hook=_each_key_once)
        band = asked.get("band") if isinstance(asked, dict) else None
        traffic = Traffic(asked.get("traffic", Traffic.LIVE)) if isinstance(band, str) else Traffic.LIVE
        return _Question(band, traffic) if isinstance(band, str) and band.encode() else None
    except (ValueError, RecursionError):  # half a character, which JSON can spell, is no text either
        return None


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of JSON. Raises `ValueError` for a key that comes twice: readers differ in which of them counts."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("the same key twice")
    return found


def _wait(wait: timedelta) -> Response:
    return _fault(429, "too many attempts: try again later", {"Retry-After": str(ceil(wait.total_seconds()))})


def _fault(status: int, says: str, headers: dict[str, str] | None = None) -> Response:
    return JSONResponse({"fault": says}, status, headers=headers)
