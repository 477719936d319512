"""The pages: who asks, what they may see, which template says it.

`pages(state)` gives back one ASGI application with everything a browser needs; whoever puts the doors
together mounts it last, at `/`, since every address that nobody else knows leads to the sign-in. It brings its
own headers, limits and error pages, and changes nothing outside itself.

    GET  /sign-in, /static/…     for everybody
    POST /sign-in                a name and a password → a cookie
    POST /sign-out               the cookie's end
    GET  /                       the status page; `?traffic=test` shows test traffic, and only that
    anything else                303 to /sign-in, or "no such page" for who is signed in
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from gateway.caution import CAUTION
from gateway.doors.folder import FolderState
from gateway.errors import GatewayError
from gateway.logs import log
from gateway.passwords import Attempts, Passwords
from gateway.records import DeliveryState, Traffic
from gateway.region import Region
from gateway.store.database import Database
from gateway.web.security import OwnForms, SecureHeaders, SmallBodies
from gateway.web.sign_in import (
    SESSION_LENGTH,
    LockedOut,
    Session,
    Sessions,
    SignedIn,
    WrongPair,
    sign_in,
)
from gateway.web.status import read_status
from gateway.web.times import ago, clock_time

SIGN_IN, SIGN_OUT, HOME = "/sign-in", "/sign-out", "/"
FORMS = (SIGN_IN, SIGN_OUT)  #: the only addresses of the pages that take anything
_HERE = Path(__file__).parent
_METHODS = ["GET", "POST", "PUT", "PATCH", "DELETE"]
_SEEN = {None: Traffic.LIVE, "live": Traffic.LIVE, "test": Traffic.TEST}  # by the address's `traffic`
_ADDRESS = {Traffic.LIVE: HOME, Traffic.TEST: "/?traffic=test"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PagesState:
    """What the pages stand on.

    `clock` gives an aware time; `attempts`, `sessions` and `passwords` keep their own count, so one of each serves all
    requests of a process. `folders` tells of the watched folders of this process.
    """

    database: Database
    region: Region
    clock: Callable[[], datetime]
    attempts: Attempts
    sessions: Sessions
    passwords: Passwords
    folders: Callable[[], Sequence[FolderState]] = tuple


def pages(state: PagesState) -> Starlette:
    """Give back the pages as an application of their own, to be mounted last, at `/`."""
    page = _Pages(state)
    return Starlette(
        routes=[
            Route(SIGN_IN, page.show_sign_in, methods=["GET"]),
            Route(SIGN_IN, page.sign_in, methods=["POST"]),
            Route(SIGN_OUT, page.sign_out, methods=["POST"]),
            Mount("/static", _OwnFiles(directory=_HERE / "static")),
            Route(HOME, page.show_status, methods=["GET"]),
            Route("/{path:path}", page.show_nothing, methods=_METHODS),
        ],
        middleware=[
            Middleware(SecureHeaders, https=page.https),
            Middleware(OwnForms),
            Middleware(SmallBodies),
        ],
        exception_handlers={GatewayError: page.show_failure, ClientDisconnect: _nobody_waits},
    )


class _OwnFiles(StaticFiles):
    """Files that a browser may keep, if it asks each time whether they are still the newest."""

    def file_response(self, *args: Any, **named: Any) -> Response:
        response = super().file_response(*args, **named)
        response.headers["cache-control"] = "no-cache"
        return response


class _Pages:
    """One method for each route; what they share is the state, the templates and the cookie."""

    def __init__(self, state: PagesState) -> None:
        self._state = state
        self.https = state.region.address.startswith("https:")
        # RFC 6265bis: the prefix makes browsers refuse the cookie from a sub-domain or a plain connection
        self._cookie = "__Host-sign-in" if self.https else "sign-in"
        self._templates = Environment(
            loader=FileSystemLoader(_HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals |= {
            "caution": CAUTION,
            "region_name": state.region.name,
            "clock_time": partial(clock_time, zone=state.region.zone),
            "delivery_states": [each.value for each in DeliveryState],
        }

    async def show_sign_in(self, request: Request) -> Response:
        """The form, or the status page for who has filled it already."""
        return _go_to(HOME) if self._session(request) else self._sign_in_page()

    async def sign_in(self, request: Request) -> Response:
        """Take name and password; give a cookie, or say that they do not fit, or that it was tried too often."""
        form = await request.form(max_files=0, max_fields=10)
        account, password = (str(form.get(name, "")) for name in ("account", "password"))
        address = request.client.host if request.client else ""
        state, now = self._state, self._state.clock()
        decision = await sign_in(
            state.database,
            state.passwords,
            state.attempts,
            account=account,
            password=password,
            address=address,
            now=now,
        )
        match decision:
            case SignedIn():
                log("signed_in", account=decision.account)
                return self._with_cookie(_go_to(HOME), state.sessions.begin(decision.account, now))
            case WrongPair():
                log("sign_in_failed", level="warning", address=address)
                return self._sign_in_page("Account and password do not fit together.", 401, account)
            case LockedOut():
                log("sign_in_failed", level="warning", address=address)
                return self._too_often(decision, account)

    async def sign_out(self, request: Request) -> Response:
        """End the session, here and in the browser."""
        session = self._session(request)
        if session is not None:
            self._state.sessions.end(session, self._state.clock())
        answer = _go_to(SIGN_IN)
        answer.delete_cookie(self._cookie, secure=self.https, httponly=True, samesite="strict")
        return answer

    async def show_status(self, request: Request) -> Response:
        """The status page, of live traffic unless test traffic is asked for."""
        session = self._session(request)
        if session is None:
            return _go_to(SIGN_IN)
        asked = request.query_params.get("traffic")
        if asked not in _SEEN:
            return self._problem("No such traffic", "There is live traffic and test traffic.", 400, session)
        traffic, state, now = _SEEN[asked], self._state, self._state.clock()
        status = await state.database.aread(lambda tx: read_status(tx, state.region, traffic=traffic, now=now))
        here = _ADDRESS[traffic]
        folders = state.folders()
        return self._page(
            "status.html", 200, session, status=status, folders=folders, here=here, ago=partial(ago, now=now)
        )

    async def show_nothing(self, request: Request) -> Response:
        """Lead whoever is not signed in to the sign-in; tell the others that there is nothing here."""
        session = self._session(request)
        if session is None:
            return _go_to(SIGN_IN)
        return self._problem("No such page", "Nothing stands at this address.", 404, session)

    async def show_failure(self, request: Request, error: Exception) -> Response:
        """Say that the fault is ours. The error's text never names a person, but is no help to a reader either."""
        log("request_failed", level="error", error=type(error).__name__)
        says = "The gateway's own store does not answer. Messages are safe; try again in a minute."
        return self._problem("Not available now", says, 503, self._session(request))

    def _session(self, request: Request) -> Session | None:
        return self._state.sessions.find(request.cookies.get(self._cookie, ""), self._state.clock())

    def _sign_in_page(self, fault: str = "", status_code: int = 200, given: str = "") -> Response:
        return self._page("sign_in.html", status_code, None, fault=fault, given=given)

    def _too_often(self, decision: LockedOut, given: str) -> Response:
        seconds = math.ceil(decision.wait.total_seconds())
        wait = f"{math.ceil(seconds / 60)} min" if seconds > 60 else f"{seconds} s"
        answer = self._sign_in_page(f"Too many attempts. Try again in {wait}.", 429, given)
        answer.headers["retry-after"] = str(seconds)
        return answer

    def _problem(self, heading: str, says: str, status_code: int, session: Session | None) -> Response:
        return self._page("problem.html", status_code, session, heading=heading, says=says)

    def _page(self, template: str, status_code: int, session: Session | None, **values: Any) -> Response:
        text = self._templates.get_template(template).render(account=session.account if session else "", **values)
        return HTMLResponse(text, status_code)

    def _with_cookie(self, answer: Response, text: str) -> Response:
        length = int(SESSION_LENGTH.total_seconds())
        answer.set_cookie(
            self._cookie, text, max_age=length, path="/", secure=self.https, httponly=True, samesite="strict"
        )
        return answer


def _go_to(address: str) -> Response:
    return RedirectResponse(address, 303)


async def _nobody_waits(request: Request, error: Exception) -> Response:
    """The browser hung up in the middle of its form: no answer will be read."""
    del request, error
    return Response(status_code=400)
