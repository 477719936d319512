"""Every HTTP interface of one process, put together: the doors of feeds, look-up, health, and the pages."""

from collections.abc import Callable
from datetime import datetime

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route

from gateway.doors.http import http_doors
from gateway.errors import StoreUnavailable
from gateway.intake import Intake
from gateway.region import Region
from gateway.store.database import Database
from gateway.store.transaction import Tx
from gateway.web.look_up import LookUp
from gateway.web.pages import PagesState, pages
from gateway.web.sign_in import Attempts, Passwords, Sessions


def build_app(intake: Intake, region: Region, database: Database, clock: Callable[[], datetime]) -> FastAPI:
    """Give back the application of one process."""
    attempts, passwords = Attempts(region.settings.sign_in_attempts), Passwords()
    state = PagesState(
        database=database,
        region=region,
        clock=clock,
        attempts=attempts,
        sessions=Sessions(),
        passwords=passwords,
    )
    routes = [
        *_health(database),
        *http_doors(intake, region),
        LookUp(database, region, clock, attempts, passwords).route(),
        Mount("/", pages(state)),
    ]
    return FastAPI(title="bandgate", openapi_url=None, docs_url=None, redoc_url=None, routes=routes)


def _health(database: Database) -> list[Route]:
    """`/health/live`: the process answers. `/health/ready`: it can also write."""

    async def live(request: Request) -> Response:
        del request
        return JSONResponse({"status": "pass"})

    async def ready(request: Request) -> Response:
        del request
        try:
            if database.alive:
                await database.aread(_nothing)
                return JSONResponse({"status": "pass"})
        except StoreUnavailable:
            return JSONResponse({"status": "fail"}, 503)
        return JSONResponse({"status": "fail"}, 503)

    return [Route("/health/live", live), Route("/health/ready", ready)]


def _nothing(tx: Tx) -> None:
    """Ask the database for nothing: that it answers at all is the answer."""
    del tx
