"""Whether the gateway lives and can do its work, for whoever restarts it or sends messages its way.

    /health/live    the process answers
    /health/ready   every door is open, and the database takes what is written

Open to all, so that asking must cost nothing: the database is tried once a second at most, whoever asks how often.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from gateway.errors import GatewayFault
from gateway.store import pulse
from gateway.store.database import Database

AGAIN = 1.0  # seconds for which an answer of the database holds
PATIENCE = 5.0  # seconds a write may take; a gateway that is slower takes no messages either


class Health:
    """Answers for one process; `is_open` says whether its doors are."""

    def __init__(self, database: Database, clock: Callable[[], datetime], is_open: Callable[[], bool]) -> None:
        self._database = database
        self._clock = clock
        self._is_open = is_open
        self._tried = 0.0
        self._trial: asyncio.Future[bool] | None = None

    def routes(self) -> list[Route]:
        """Give back the routes."""
        return [Route("/health/live", self._live), Route("/health/ready", self._ready)]

    async def _live(self, request: Request) -> Response:
        del request
        return JSONResponse({"status": "pass"})

    async def _ready(self, request: Request) -> Response:
        del request
        if self._is_open() and await self._is_writable():
            return JSONResponse({"status": "pass"})
        return JSONResponse({"status": "fail"}, 503)

    async def _is_writable(self) -> bool:
        """What the last try said, or a new one; all who ask meanwhile wait for the same."""
        now = asyncio.get_running_loop().time()
        if self._trial is None or (self._trial.done() and now - self._tried >= AGAIN):
            self._tried = now
            self._trial = asyncio.ensure_future(self._try())
        return await asyncio.shield(self._trial)

    async def _try(self) -> bool:
        try:
            async with asyncio.timeout(PATIENCE):
                await self._database.awrite(lambda tx: pulse.beat(tx, at=self._clock()))
        except (GatewayFault, TimeoutError):
            return False
        return True
