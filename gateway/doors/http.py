"""The HTTP doors for feeds: care reports as plain XML, admission messages as HL7 v2 over HTTP.

Each request proves which feed it is: a bearer token, or HTTP Basic with the feed's name and its token for
senders that can do no better. The token is looked at before the body is read. The answer is an
OperationOutcome for care reports, and the HL7 acknowledgement for admissions, whose HTTP status is then
always 200: AE and AR are answers too.
"""

import base64
import binascii
import tempfile
from collections.abc import Awaitable, Callable, Iterable
from typing import BinaryIO

import orjson
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from gateway.adapters.operation_outcome import issue, issue_of_fault, issue_of_finding, operation_outcome
from gateway.errors import GatewayFault, SenderFault, TooLarge
from gateway.intake import Intake, InvalidReport, KeptReport, ReportOutcome
from gateway.logs import log
from gateway.mapping.rules import Kind
from gateway.region import Feed, Region

FHIR_JSON = "application/fhir+json; charset=UTF-8"
XML_TYPES = {"application/xml", "text/xml", ""}
HL7_TYPES = {"application/hl7-v2", "application/hl7-v2+er7", "x-application/hl7-v2+er7"}
OTHER_METHODS = ["GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"]
IN_MEMORY = 1024 * 1024  # a larger body waits in a temporary file, so that memory stays bounded
LATER = "30"  # seconds until a sender should try again when the store is down


def http_doors(intake: Intake, region: Region) -> list[Route]:
    """Give back the routes of the doors."""
    doors = _HttpDoors(intake, region)
    return [*by_post("/care-reports", doors.care_reports), *by_post("/admissions", doors.admissions)]


def by_post(path: str, answer: Callable[[Request], Awaitable[Response]]) -> list[Route]:
    """Give back the routes of an address that takes POST alone; other methods would fall through to the pages."""
    return [Route(path, answer, methods=["POST"]), Route(path, _not_allowed, methods=OTHER_METHODS)]


def outcome(status: int, issues: Iterable[dict[str, object]], **headers: str) -> Response:
    """Give back an OperationOutcome as an HTTP answer."""
    return Response(orjson.dumps(operation_outcome(issues)), status, headers=headers, media_type=FHIR_JSON)


class _HttpDoors:
    def __init__(self, intake: Intake, region: Region) -> None:
        self._intake = intake
        self._region = region

    async def care_reports(self, request: Request) -> Response:
        feed = self._feed(request, Kind.CARE_REPORTS)
        if feed is None:
            return _unknown_sender(request, Kind.CARE_REPORTS)
        if _content_type(request) not in XML_TYPES:
            return outcome(415, [issue("error", "not-supported", "send XML as application/xml, uncompressed")])
        limit = self._region.settings.care_report_bytes
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as body:
            try:
                await _take_body(request, body, limit)  # type: ignore[arg-type]
                kept = await self._intake.care_reports(body, feed, door="care-reports")  # type: ignore[arg-type]
            except TooLarge as fault:
                return outcome(413, [issue_of_fault(fault, code="too-long")])
            except InvalidReport as fault:
                return outcome(422, map(issue_of_finding, fault.findings))
            except SenderFault as fault:
                return outcome(422, [issue_of_fault(fault)])
            except GatewayFault as fault:
                log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
                return try_again()
        return outcome(200, [each for report in kept for each in _issues(report)])

    async def admissions(self, request: Request) -> Response:
        feed = self._feed(request, Kind.ADMISSIONS)
        if feed is None:
            return _unknown_sender(request, Kind.ADMISSIONS)
        if _content_type(request) not in HL7_TYPES:
            return outcome(415, [issue("error", "not-supported", "send HL7 v2 as application/hl7-v2, uncompressed")])
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as body:
            try:
                await _take_body(request, body, self._region.settings.mllp_frame_bytes)  # type: ignore[arg-type]
            except TooLarge as fault:
                return outcome(413, [issue_of_fault(fault, code="too-long")])
            except SenderFault as fault:
                return outcome(400, [issue_of_fault(fault)])
            answer = await self._intake.admission(body.read(), door="admissions-http", feed=feed)
        return Response(answer, media_type="application/hl7-v2+er7")

    def _feed(self, request: Request, kind: Kind) -> Feed | None:
        name, token = sign_in_pair(request)
        feed = self._region.find_feed_by_token(token, kind) if token else None
        return feed if feed is not None and name in ("", feed.name) else None


def sign_in_pair(request: Request) -> tuple[str, str]:
    """Give back name and secret of the Authorization header; empty where it has none.

    A bearer token (RFC 6750) has no name; HTTP Basic (RFC 7617) has both.
    """
    method, _, rest = request.headers.get("authorization", "").partition(" ")
    if method.lower() == "bearer":
        return "", rest.strip()
    if method.lower() == "basic":
        try:
            name, _, secret = base64.b64decode(rest.strip(), validate=True).decode().partition(":")
        except (binascii.Error, UnicodeDecodeError):
            return "", ""
        return name, secret
    return "", ""


def _content_type(request: Request) -> str:
    """The media type without parameters; something that no door takes for a body that is compressed."""
    coding = request.headers.get("content-encoding", "identity").strip().lower()
    if coding not in ("", "identity"):
        return coding
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


async def _take_body(request: Request, body: BinaryIO, limit: int) -> None:
    """Put the request's body into `body`, rewound. Raises `TooLarge` as soon as it is."""
    size = 0
    try:
        async for piece in request.stream():
            size += len(piece)
            if size > limit:
                raise TooLarge("larger than this gateway takes", code="payload-too-large", remedy="send fewer at once")
            body.write(piece)
    except ClientDisconnect as error:
        raise SenderFault("the request ended early", code="payload-cut-off", remedy="send it again") from error
    body.seek(0)


async def _not_allowed(request: Request) -> Response:
    del request
    return outcome(405, [issue("error", "not-supported", "this address takes POST alone")], Allow="POST")


def _unknown_sender(request: Request, kind: Kind) -> Response:
    text = "no token came: send the feed's own, as Authorization: Bearer TOKEN"
    if any(sign_in_pair(request)):
        text = f"no feed of {kind.value.replace('-', ' ')} has this token: ask the gateway's operator for one"
    return outcome(401, [issue("error", "login", text)], **{"WWW-Authenticate": 'Bearer realm="feeds"'})


def try_again() -> Response:
    """Give back the answer for a fault of ours."""
    text = "nothing was kept: send the same again later"
    return outcome(503, [issue("error", "transient", text)], **{"Retry-After": LATER})


def _issues(kept: KeptReport) -> list[dict[str, object]]:
    code = "duplicate" if kept.outcome is ReportOutcome.UNCHANGED else "informational"
    said = issue("information", code, f"report {kept.name}: {kept.outcome.value}")
    return [said, *map(issue_of_finding, kept.findings)]
