"""The HTTP doors for feeds: care reports as plain XML, admission messages as HL7 v2 over HTTP.

Each request proves which feed it is: a bearer token, or HTTP Basic with the feed's name and its token for
senders that can do no better. The token is looked at before the body is read. The answer is an
OperationOutcome for care reports, and the HL7 acknowledgement for admissions, whose HTTP status is then
always 200: AE and AR are answers too. Who asks for JSON (Accept) is answered with an OperationOutcome there too.

Nobody may ask without end: a feed has so many requests a second, an address so many wrong tokens (429 and
Retry-After, RFC 6585). What holds for every request, whoever sends it, stands in `gateway.doors.addresses` and
`gateway.doors.bodies`.
"""

import base64
import binascii
import math
import tempfile
from collections.abc import Awaitable, Callable, Iterable
from datetime import timedelta
from typing import BinaryIO

import orjson
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from gateway.adapters.operation_outcome import issue, issue_of_fault, issue_of_finding, operation_outcome
from gateway.doors.rates import Buckets, WrongTokens
from gateway.errors import GatewayFault, SenderFault, TooLarge
from gateway.intake import Intake
from gateway.keeping import KeptReport, ReportOutcome
from gateway.logs import log
from gateway.mapping.rules import Kind
from gateway.region import Feed, Region
from gateway.report_intake import InvalidReport
from gateway.store.messages import Outcome as Became

FHIR_JSON = "application/fhir+json; charset=UTF-8"
XML_TYPES = {"application/xml", "text/xml", ""}
HL7_TYPES = {"application/hl7-v2", "application/hl7-v2+er7", "x-application/hl7-v2+er7"}
JSON_TYPES = {"application/fhir+json", "application/json"}
OTHER_METHODS = ["GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"]
IN_MEMORY = 1024 * 1024  # a larger body waits in a temporary file, so that memory stays bounded
LATER = "30"  # seconds until a sender should try again when the store is down


def http_doors(intake: Intake, region: Region, rates: Buckets) -> list[Route]:
    """Give back the routes of the doors; `rates` counts the requests by feed, at whichever door."""
    doors = _HttpDoors(intake, region, rates)
    return [*by_post("/care-reports", doors.care_reports), *by_post("/admissions", doors.admissions)]


def by_post(path: str, answer: Callable[[Request], Awaitable[Response]]) -> list[Route]:
    """Give back the routes of an address that takes POST alone; other methods would fall through to the pages."""
    return [Route(path, answer, methods=["POST"]), Route(path, _not_allowed, methods=OTHER_METHODS)]


def outcome(status: int, issues: Iterable[dict[str, object]], **headers: str) -> Response:
    """Give back an OperationOutcome as an HTTP answer."""
    return Response(orjson.dumps(operation_outcome(issues)), status, headers=headers, media_type=FHIR_JSON)


class CutOff(SenderFault):
    """The request ended in the middle of its body."""


class _HttpDoors:
    def __init__(self, intake: Intake, region: Region, rates: Buckets) -> None:
        self._intake = intake
        self._region = region
        self._rates = rates
        self._wrong = WrongTokens(region.settings.sign_in_attempts)

    async def care_reports(self, request: Request) -> Response:
        feed = self._admit(request, Kind.CARE_REPORTS)
        if isinstance(feed, Response):
            return feed
        if _content_type(request) not in XML_TYPES:
            return outcome(415, [issue("error", "not-supported", "send XML as application/xml, uncompressed")])
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as body:
            try:
                await _take_body(request, body, self._region.settings.care_report_bytes)  # type: ignore[arg-type]
                kept = await self._intake.care_reports(body, feed, door="care-reports")  # type: ignore[arg-type]
            except (SenderFault, GatewayFault) as fault:
                return _refusal(fault)
        return outcome(200, [each for report in kept for each in _issues(report)])

    async def admissions(self, request: Request) -> Response:
        feed = self._admit(request, Kind.ADMISSIONS)
        if isinstance(feed, Response):
            return feed
        if _content_type(request) not in HL7_TYPES:
            return outcome(415, [issue("error", "not-supported", "send HL7 v2 as application/hl7-v2, uncompressed")])
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as body:
            try:
                await _take_body(request, body, self._region.settings.mllp_frame_bytes)  # type: ignore[arg-type]
            except CutOff as fault:
                return outcome(400, [issue_of_fault(fault)])
            except SenderFault as fault:
                return _refusal(fault)
            data = body.read()
        if wants_outcome(request.headers.get("accept", "")):
            return await self._told_in_findings(data, feed)
        answer = await self._intake.admission(data, door="admissions-http", feed=feed)
        return Response(answer, media_type="application/hl7-v2+er7")

    async def _told_in_findings(self, data: bytes, feed: Feed) -> Response:
        try:
            kept = await self._intake.admission_kept(data, feed, door="admissions-http")
        except (SenderFault, GatewayFault) as fault:
            return _refusal(fault)
        code = "duplicate" if kept.outcome is Became.DUPLICATE else "informational"
        said = issue("information", code, f"message {kept.name}: {kept.outcome.value}")
        return outcome(200, [said, *map(issue_of_finding, kept.findings)])

    def _admit(self, request: Request, kind: Kind) -> Feed | Response:
        """The feed that sends, or the answer to who may not send, or not now."""
        address, now = request.client.host if request.client else "", self._intake.clock()
        wait = self._wrong.wait(address, now)
        if wait is not None:
            return too_often(wait)
        name, token = sign_in_pair(request)
        feed = self._region.find_feed_by_token(token, kind) if token else None
        if feed is None or name not in ("", feed.name):
            if token:
                self._wrong.note(address, f"{name}:{token}", now)
            return _unknown_sender(request, kind)
        wait = self._rates.take(feed.name, now)
        return feed if wait is None else too_often(wait)


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
    """Put the request's body into `body`, rewound. Raises `TooLarge` as soon as it is, or `CutOff`."""
    size = 0
    try:
        async for piece in request.stream():
            size += len(piece)
            if size > limit:
                raise TooLarge("larger than this gateway takes", code="payload-too-large", remedy="send fewer at once")
            body.write(piece)
    except ClientDisconnect as error:
        raise CutOff("the request ended early", code="payload-cut-off", remedy="send it again") from error
    body.seek(0)


def wants_outcome(accept: str) -> bool:
    """Whether an Accept header asks for an OperationOutcome rather than an acknowledgement (RFC 9110, 12.5.1).

    Asked for by name goes before asked for by a wildcard; where both are wanted alike, it is the acknowledgement.
    """
    wanted = dict(_media_range(each) for each in accept.lower().split(","))
    json = max((quality for name, quality in wanted.items() if name in JSON_TYPES), default=0.0)
    named = max((quality for name, quality in wanted.items() if name in HL7_TYPES), default=None)
    hl7 = max((quality for name, quality in wanted.items() if name in {"*/*", "application/*"}), default=0.0)
    return json > 0 and (json > named if named is not None else json >= hl7)


def _media_range(text: str) -> tuple[str, float]:
    """A media range and how much it is wanted; a weight that is none counts as wanted fully."""
    name, _, parameters = text.partition(";")
    weight = next((p.partition("=")[2] for p in parameters.split(";") if p.strip().startswith("q=")), "1")
    try:
        quality = float(weight)
    except ValueError:
        quality = 1.0
    return name.strip(), quality if math.isfinite(quality) else 1.0


def _refusal(fault: SenderFault | GatewayFault) -> Response:
    """The answer to what was not kept, in the words of the fault."""
    match fault:
        case InvalidReport():
            return outcome(422, map(issue_of_finding, fault.findings))
        case TooLarge():
            return outcome(413, [issue_of_fault(fault, code="too-long")])
        case SenderFault():
            return outcome(422, [issue_of_fault(fault)])
        case _:
            log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
            return try_again()


def too_often(wait: timedelta) -> Response:
    """Give back the answer to who asks too often, with the time to wait (RFC 6585, section 4)."""
    text = "too many requests: send fewer at once, and again later"
    return outcome(429, [issue("error", "throttled", text)], **{"Retry-After": seconds_of(wait)})


def seconds_of(wait: timedelta) -> str:
    """Give back a time to wait as Retry-After says it (RFC 9110, 10.2.3), never none at all."""
    return str(max(math.ceil(wait.total_seconds()), 1))


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
