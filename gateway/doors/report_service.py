"""The door of the NEMSIS V3 web service: SOAP 1.1 over HTTP at `/nemsis`, and its WSDL at `/nemsis?wsdl`.

    headers → credentials → payload, into a temporary file → parameters → `gateway.submissions` → answer

* Who signs in is decided when the credentials have come, and before any of the payload is kept; who may not is
  answered then and there.
* What cannot be read as a request gets a SOAP fault, with HTTP status 500 (SOAP 1.1, section 6.2), 405 or 415 where
  HTTP has a word for it (WS-I Basic Profile 1.1, R1114 and R1115); so does who asks too often, with 429 (RFC 6585).
  All else gets a status code, with HTTP status 200.
* Nothing that is compressed is taken: it is not inflated to see how large it is.
"""

import re
import tempfile
from dataclasses import dataclass
from datetime import timedelta
from typing import BinaryIO, NamedTuple, cast
from urllib.parse import unquote, urlsplit

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from gateway.adapters.report_checks import DATA_SETS
from gateway.adapters.report_service import (
    ACTIONS,
    VERSIONS,
    FaultCode,
    Operation,
    RequestFault,
    Status,
    answer_fault,
    answer_limit,
    answer_retrieve,
    answer_submit,
)
from gateway.adapters.report_service_requests import RequestReader, ServiceRequest
from gateway.adapters.report_service_wsdl import describe
from gateway.doors.http import seconds_of
from gateway.doors.rates import Buckets
from gateway.doors.service_accounts import Busy, Denied, ServiceAccounts
from gateway.errors import SenderFault, TooLarge
from gateway.logs import log
from gateway.region import Feed, Region
from gateway.region_mistakes import LOOPBACK
from gateway.submissions import IN_MEMORY, Answer, Submissions, fault_code

PATH = "/nemsis"
SOAP_11, SOAP_12 = "text/xml", "application/soap+xml"
OTHER_METHODS = ["PUT", "PATCH", "DELETE", "OPTIONS"]
#: The only codes of failure that QueryLimit may answer with (QueryLimitResponseCode of the WSDL).
LIMIT_CODES = frozenset(
    {Status.WRONG_PASSWORD, Status.OPERATION_DENIED, Status.ORGANIZATION_DENIED, Status.TOO_BUSY, Status.LIMIT_UNKNOWN}
)
_XML = "text/xml; charset=utf-8"
_RELEASE = re.compile(r"\d{1,3}\.\d{1,3}\.\d{1,3}(?!\d)")  # a build may follow, as 3.5.1.250403CP1
_LONGEST_NUMBER = 4  # digits of a requestDataSchema


class _Denied(Exception):
    """Ends the reading of a request that is answered with a code; never leaves this module."""

    def __init__(self, code: Status, *, feed: str = "", handle: str = "", wait: timedelta | None = None) -> None:
        super().__init__(code)
        self.code, self.feed, self.handle, self.wait = code, feed, handle, wait


class _TooOften(Exception):
    """Ends the reading of a request whose feed has asked for too much; never leaves this module."""

    def __init__(self, wait: timedelta) -> None:
        super().__init__(wait)
        self.wait = wait


class _Taken(NamedTuple):
    """A request that was read to its end; the payload is in the file that was given."""

    request: ServiceRequest
    feed: Feed
    size: int


@dataclass(frozen=True, slots=True)
class ReportService:
    """The door of one process; `rates` counts the requests by feed, at whichever door."""

    region: Region
    submissions: Submissions
    accounts: ServiceAccounts
    rates: Buckets

    def routes(self) -> list[Route]:
        """Give back the routes."""
        return [
            Route(PATH, self._post, methods=["POST"]),
            Route(PATH, self._get, methods=["GET"]),
            Route(PATH, _not_allowed, methods=OTHER_METHODS),
        ]

    async def _get(self, request: Request) -> Response:
        if unquote(request.url.query).partition("&")[0].partition("=")[0].lower() != "wsdl":
            return await _not_allowed(request)
        return Response(describe(f"{self._address(request)}{PATH}"), media_type=_XML)

    def _address(self, request: Request) -> str:
        """The region's address, where the outside reaches us; on a trial the port of this machine that was asked.

        What the request says of its host is not believed: the answer may be handed on.
        """
        told, asked = urlsplit(self.region.address), request.scope.get("server")
        if told.hostname not in LOOPBACK or asked is None or asked[1] is None:
            return self.region.address
        host = f"[{told.hostname}]" if ":" in told.hostname else told.hostname
        return f"{request.scope['scheme']}://{host}:{asked[1]}"

    async def _post(self, request: Request) -> Response:
        try:
            operation = _operation_of(request)
        except _Unfit as unfit:
            return _fault(unfit.fault, status=unfit.status)
        try:
            return await self._answer(request, operation)
        except RequestFault as fault:
            return _fault(fault)
        except _TooOften as often:
            too_many = RequestFault("too many requests", remedy="send fewer at once, and again later")
            return _fault(too_many, status=429, **{"Retry-After": seconds_of(often.wait)})
        except ClientDisconnect:
            return _fault(RequestFault("the request ended early", remedy="send it again"))
        except Exception as error:  # noqa: BLE001  whatever we did wrong, the client must be told that it was us
            return self._answered(operation, _Denied(fault_code(error)))

    async def _answer(self, request: Request, operation: Operation) -> Response:
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as file:
            payload = cast(BinaryIO, file)
            try:
                taken = await self._take(request, operation, payload)
            except _Denied as denied:
                return self._answered(operation, denied)
            if operation is Operation.SUBMIT:
                return await self._submit(payload, taken)
        if operation is Operation.RETRIEVE:
            return await self._retrieve(taken)
        return self._tell_limit(taken)

    # ── reading ────────────────────────────────────────────────────────────────────────────────

    async def _take(self, request: Request, operation: Operation, payload: BinaryIO) -> _Taken:
        """Read a request to its end. Raises `RequestFault`, and `_Denied` as soon as it is."""
        limit = self.region.settings.care_report_bytes
        reader = RequestReader(operation, largest=limit, charset=_charset_of(request))
        feed, size = None, 0
        try:
            async for piece in request.stream():
                size += payload.write(reader.receive(piece))
                if feed is None and reader.credentials is not None and operation is Operation.SUBMIT:
                    feed = await self._sign_in(request, operation, reader)
            sent, rest = reader.close()
            size += payload.write(rest)
        except TooLarge:
            feed = feed or await self._sign_in(request, operation, reader)
            raise _Denied(Status.TOO_LARGE, feed=feed.name) from None
        feed = feed or await self._sign_in(request, operation, reader, handle=sent.handle or "")
        return _Taken(sent, feed, size)

    async def _sign_in(
        self, request: Request, operation: Operation, reader: RequestReader, *, handle: str = ""
    ) -> Feed:
        """Give back the feed that asks, and count its request. Raises `_Denied` and `_TooOften`."""
        credentials = reader.credentials
        assert credentials is not None, "the reader refuses a request without"
        address = request.client.host if request.client else ""
        signed = await self.accounts.sign_in(credentials, address)
        if isinstance(signed, Busy):
            raise _Denied(Status.TOO_BUSY if operation is Operation.LIMIT else Status.SERVER_FAULT, handle=handle)
        if isinstance(signed, Denied):
            log("sign_in_failed", level="warning", address=address)
            raise _Denied(Status.WRONG_PASSWORD, handle=handle, wait=signed.wait)
        wait = self.rates.take(signed.feed.name, self.submissions.clock())
        if wait is not None:
            raise _TooOften(wait)
        account = signed.feed.service
        assert account is not None, "a feed that signs in has an account"
        if operation not in account.operations:
            raise _Denied(Status.OPERATION_DENIED, feed=signed.feed.name, handle=handle)
        if credentials.organization.strip() != account.organization:
            raise _Denied(Status.ORGANIZATION_DENIED, feed=signed.feed.name, handle=handle)
        return signed.feed

    # ── the three operations ───────────────────────────────────────────────────────────────────

    async def _submit(self, payload: BinaryIO, taken: _Taken) -> Response:
        request, feed, size = taken
        code = _find_wrong_parameter(request)
        if code is not None:
            return _soap(_submitted(self.submissions.refuse(code, feed.name)))
        schema, version = int(request.data_schema or ""), (request.schema_version or "").strip()
        return _soap(_submitted(await self.submissions.take(payload, size, feed, schema, version)))

    async def _retrieve(self, taken: _Taken) -> Response:
        request, feed, _ = taken
        if request.request_type not in (None, Operation.RETRIEVE):
            return _soap(answer_retrieve(request.handle or "", Status.WRONG_VALUE))
        return _soap(answer_retrieve(*await self.submissions.find((request.handle or "").strip(), feed)))

    def _tell_limit(self, taken: _Taken) -> Response:
        if taken.request.request_type not in (None, Operation.LIMIT):
            return _soap(answer_limit(0, Status.LIMIT_UNKNOWN))
        if self.submissions.is_busy:
            return _soap(answer_limit(0, Status.TOO_BUSY))
        return _soap(answer_limit(self.region.settings.care_report_bytes))

    def _answered(self, operation: Operation, denied: _Denied) -> Response:
        """The answer to a request that was not worked on, in the form of its operation."""
        wait = {} if denied.wait is None else {"Retry-After": seconds_of(denied.wait)}
        match operation:
            case Operation.SUBMIT:
                body = _submitted(self.submissions.refuse(denied.code, denied.feed))
            case Operation.RETRIEVE:
                body = answer_retrieve(denied.handle, denied.code)
            case Operation.LIMIT:
                body = answer_limit(0, denied.code if denied.code in LIMIT_CODES else Status.LIMIT_UNKNOWN)
        return _soap(body, **wait)


def _submitted(answer: Answer) -> bytes:
    return answer_submit(*answer)


def _find_wrong_parameter(request: ServiceRequest) -> Status | None:
    """The code for parameters that cannot be worked on; None for those that can."""
    schema, version = (request.data_schema or "").strip(), (request.schema_version or "").strip()
    is_named = schema.isascii() and schema.isdecimal() and len(schema) <= _LONGEST_NUMBER and int(schema) in DATA_SETS
    if not is_named or not version or not request.has_payload:
        return Status.WRONG_VALUE
    if request.request_type not in (None, Operation.SUBMIT):
        return Status.WRONG_VALUE
    release = _RELEASE.match(version)
    return None if release and release.group() in VERSIONS else Status.WRONG_COMBINATION


# ── HTTP ───────────────────────────────────────────────────────────────────────────────────────────


class _Unfit(Exception):
    """Headers that no request of this service has; never leaves this module."""

    def __init__(self, fault: RequestFault, status: int = 500) -> None:
        super().__init__(fault.message)
        self.fault, self.status = fault, status


def _operation_of(request: Request) -> Operation:
    """What the headers ask for. Raises `_Unfit`."""
    if request.headers.get("content-encoding", "identity").strip().lower() not in ("", "identity"):
        raise _Unfit(RequestFault("a compressed request is not taken", remedy="send it uncompressed"), 415)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == SOAP_12:
        remedy = f"send SOAP 1.1: Content-Type {SOAP_11}, and a SOAPAction"
        raise _Unfit(RequestFault("not SOAP 1.1", remedy=remedy, fault_code=FaultCode.VERSION_MISMATCH))
    if kind != SOAP_11:
        raise _Unfit(RequestFault("no SOAP 1.1 request", remedy=f"send Content-Type {SOAP_11}"), 415)
    action = request.headers.get("soapaction")
    if action is None:
        raise _Unfit(RequestFault("no SOAPAction came", remedy="send the header that the WSDL names"))
    operation = ACTIONS.get(action.strip().strip('"'))
    if operation is None:
        raise _Unfit(RequestFault("a SOAPAction of no operation here", remedy="send the one that the WSDL names"))
    return operation


def _charset_of(request: Request) -> str | None:
    for parameter in request.headers.get("content-type", "").split(";")[1:]:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "charset":
            return value.strip().strip('"') or None
    return None


def _soap(body: bytes, **headers: str) -> Response:
    return Response(body, media_type=_XML, headers={"Cache-Control": "no-store", **headers})


def _fault(fault: RequestFault, *, status: int = 500, **headers: str) -> Response:
    says = SenderFault.__str__(fault)
    return Response(answer_fault(fault.fault_code, says), status, headers=headers, media_type=_XML)


async def _not_allowed(request: Request) -> Response:
    del request
    return PlainTextResponse("this address takes POST, and GET with ?wsdl", 405, headers={"Allow": "POST, GET"})
