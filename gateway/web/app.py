"""Every HTTP interface of one process, put together: the doors of feeds, look-up, health, and the pages."""

from collections.abc import Callable, Sequence
from datetime import datetime

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.adapters.operation_outcome import issue
from gateway.doors.addresses import AddressRates
from gateway.doors.bodies import BodyClock
from gateway.doors.folder import FolderState
from gateway.doors.http import http_doors, outcome, try_again
from gateway.doors.rates import buckets
from gateway.doors.report_service import ReportService
from gateway.intake import Intake
from gateway.logs import log
from gateway.passwords import Attempts, Passwords
from gateway.region import Region
from gateway.store.database import Database
from gateway.web.health import Health
from gateway.web.look_up import LookUp
from gateway.web.pages import FORMS, PagesState, pages
from gateway.web.sign_in import Sessions


def build_app(
    intake: Intake,
    region: Region,
    database: Database,
    clock: Callable[[], datetime],
    *,
    is_open: Callable[[], bool] = lambda: True,
    folders: Callable[[], Sequence[FolderState]] = tuple,
    service: ReportService | None = None,
) -> FastAPI:
    """Give back the application of one process; `is_open` says whether all its doors are, `folders` how they do."""
    attempts, passwords = Attempts(region.settings.sign_in_attempts), Passwords()
    state = PagesState(
        database=database,
        region=region,
        clock=clock,
        attempts=attempts,
        sessions=Sessions(),
        passwords=passwords,
        folders=folders,
    )
    shown, settings = pages(state), region.settings
    rates = service.rates if service else buckets(settings.feed_requests_per_second)
    routes = [
        *Health(database, clock, is_open).routes(),
        *http_doors(intake, region, rates),
        *(service.routes() if service else []),
        *LookUp(database, region, clock, attempts, passwords).routes(),
        *[Route(own, shown, methods=["POST"]) for own in FORMS],
        Route("/{path:path}", _taken_nowhere, methods=["POST", "PUT"]),
        Mount("/", shown),
    ]
    return FastAPI(
        title="bandgate",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        routes=routes,
        middleware=[
            Middleware(OwnFaults),
            Middleware(AddressRates, per_second=settings.address_requests_per_second, clock=clock),
            Middleware(BodyClock, settings=settings),
        ],
    )


async def _taken_nowhere(request: Request) -> Response:
    """Tell a sender that nothing was taken; the sign-in page, which a browser would want, looks like a success."""
    del request
    text = "nothing is taken at this address: care reports go to /care-reports, admission messages to /admissions"
    return outcome(404, [issue("error", "not-found", text)])


class OwnFaults:
    """Answers "try again" for a mistake of ours, and logs its kind alone: a traceback may quote a person's data."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        started = False

        async def send_and_note(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self._app(scope, receive, send_and_note)
        except Exception as error:  # noqa: BLE001  the request must be answered whatever went wrong
            log("request_failed", level="error", error=type(error).__name__)
            if not started:
                await try_again()(scope, receive, send)
