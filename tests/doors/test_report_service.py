"""The door of the report web service: headers, faults, parameters, and who may do what.

Outside: SOAP 1.1 (section 6: SOAPAction, status 500 with a fault), WS-I Basic Profile 1.1 (R1114: 405, R1115: 415),
RFC 9110 (8.4 content codings, 10.2.3 Retry-After, 15.5.6 Allow), the NEMSIS V3 core WSDL and web services guide.
"""

import asyncio
import gzip
import io
import signal
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway import logs
from gateway.store import submissions
from gateway.store.database import Database
from gateway.store.submissions import Submission
from tests.service import (
    CHEAP,
    FEED,
    ORGANIZATION,
    PASSWORD,
    REPORT,
    SERVICE,
    USER,
    Service,
    data_set,
    envelope,
    headers,
    read_answer,
    region_with_account,
    request,
)
from tests.store.samples import NOW
from tests.wire.process import Gateway, running
from tests.wire.waiting import until

SOAP_12 = "http://www.w3.org/2003/05/soap-envelope"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Database]:
    with Database.open(f"sqlite:///{tmp_path}/gateway.db", key_file=tmp_path / "key", now=NOW) as opened:
        yield opened


@pytest.fixture
def service(store: Database) -> Service:
    return Service(store)


def nothing_kept(service: Service) -> bool:
    return not any(service.house.rows().values())


# ── what is no request of this service ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("sent", "status", "code", "says"),
    [
        ({"SOAPAction": None}, 500, "Client", "no SOAPAction came"),
        ({"SOAPAction": '""'}, 500, "Client", "a SOAPAction of no operation here"),
        ({"SOAPAction": f"{SERVICE}Search"}, 500, "Client", "a SOAPAction of no operation here"),
        ({"SOAPAction": "SubmitData"}, 500, "Client", "a SOAPAction of no operation here"),
        ({"SOAPAction": f"{SERVICE}QueryLimit"}, 500, "Client", "SOAPAction and request name different operations"),
        ({"Content-Type": "application/xml"}, 415, "Client", "no SOAP 1.1 request"),
        ({"Content-Type": None}, 415, "Client", "no SOAP 1.1 request"),
        ({"Content-Type": "multipart/related; type=text/xml"}, 415, "Client", "no SOAP 1.1 request"),
        ({"Content-Type": "application/soap+xml"}, 500, "VersionMismatch", "not SOAP 1.1"),
        ({"Content-Encoding": "gzip"}, 415, "Client", "a compressed request is not taken"),
        ({"Content-Encoding": "deflate, gzip"}, 415, "Client", "a compressed request is not taken"),
        ({"Content-Type": "text/xml; charset=utf-7"}, 500, "Client", "a character encoding that is not read"),
    ],
)
def test_headers_that_no_request_has_are_a_fault(
    service: Service, sent: dict[str, str | None], status: int, code: str, says: str
) -> None:
    merged = {name: value for name, value in (headers() | sent).items() if value is not None}
    told = read_answer(service.ask("POST", "/nemsis", content=request(), headers=merged))
    assert told.fault is not None
    assert (told.status, told.fault[0]) == (status, code)
    assert told.fault[1].startswith(says)
    assert nothing_kept(service)


@pytest.mark.parametrize("action", [f"{SERVICE}SubmitData", f'"{SERVICE}SubmitData"', f' "{SERVICE}SubmitData" '])
@pytest.mark.parametrize(
    "content_type", ["text/xml", "TEXT/XML;charset=UTF-8", 'text/xml; action="x"; charset="utf-8"']
)
def test_headers_are_taken_in_any_usual_spelling(service: Service, action: str, content_type: str) -> None:
    assert service.post(request(), SOAPAction=action, Content_Type=content_type).code == 1


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (envelope(b"", namespace=SOAP_12), "VersionMismatch"),
        (b'<!DOCTYPE lolz [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><x>&b;</x>', "Client"),
        (request(payload=b"<a>" * 300 + b"</a>" * 300), "Client"),
        (request()[:-30], "Client"),
        (gzip.compress(request()), "Client"),
        (b"", "Client"),
        (b"MSH|^~\\&|", "Client"),
        (envelope(b"<ws:SubmitDataRequest/>"), "Client"),
        (
            request().replace(b"<s:Body>", b'<s:Header><t xmlns="urn:t" s:mustUnderstand="1"/></s:Header><s:Body>', 1),
            "MustUnderstand",
        ),
    ],
)
def test_a_message_that_cannot_be_read_is_a_fault(service: Service, message: bytes, code: str) -> None:
    told = service.post(message)
    assert told.fault is not None
    assert (told.status, told.fault[0]) == (500, code)
    assert PASSWORD not in told.fault[1]
    assert nothing_kept(service)


def test_the_address_takes_post_and_tells_its_wsdl(service: Service) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "GET"):
        answer = service.ask(method, "/nemsis", content=b"" if method == "GET" else request())
        assert (answer.status_code, answer.headers["allow"]) == (405, "POST, GET")
    for query in ("wsdl", "WSDL", "wsdl=", "wsdl&x=1"):
        answer = service.ask("GET", f"/nemsis?{query}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "text/xml; charset=utf-8"
        assert b'location="http://127.0.0.1:8080/nemsis"' in answer.content


# ── who may do what ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("operation", ["SubmitData", "RetrieveStatus", "QueryLimit"])
def test_who_may_not_is_told_by_the_code(store: Database, operation: str) -> None:
    service = Service(store)

    def code(region_service: Service = service, **fields: str) -> int:
        return region_service.post(request(operation, **fields), operation).code

    assert code(password="wrong") == -1
    assert code(username="nobody") == -1
    assert code(username="", password="") == -1
    assert code(organization="another") == -3
    others = [each for each in ("SubmitData", "RetrieveStatus", "QueryLimit") if each != operation]
    limited = Service(store, region=region_with_account(operations=others))
    assert code(limited) == -2
    assert code(limited, password="wrong") == -1, "who is unknown learns nothing"
    assert nothing_kept(service)


def test_after_ten_failures_the_password_is_not_looked_at(service: Service) -> None:
    for _ in range(10):
        assert service.submit(password="wrong").code == -1
    response = service.ask("POST", "/nemsis", content=request(), headers=headers())
    assert read_answer(response).code == -1
    assert 14 * 60 < int(response.headers["retry-after"]) <= 15 * 60


def test_a_handle_comes_back_with_every_answer_to_it(service: Service) -> None:
    """The WSDL: "This requestHandle should echo the submit value"."""
    for fields in ({"password": "wrong"}, {"organization": "x"}, {"requestType": "SubmitData"}, {}):
        assert service.retrieve("a handle", **fields).handle == "a handle"


def test_a_failed_sign_in_is_logged_by_its_address_alone(service: Service) -> None:
    stream = io.StringIO()
    logs.set_up(stream)
    service.submit(username="somebody-wrong", password="some-wrong-word")
    service.submit()
    text = stream.getvalue()
    assert '"sign_in_failed"' in text
    assert '"submission_settled"' in text
    assert not {"somebody-wrong", "some-wrong-word", PASSWORD, USER} & set(text.replace('"', " ").split())


# ── parameters ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"requestDataSchema": "99"}, -4),
        ({"requestDataSchema": ""}, -4),
        ({"requestDataSchema": "sixty-one"}, -4),
        ({"requestDataSchema": "6" * 5000}, -4),
        ({"requestDataSchema": "-61"}, -4),
        ({"requestDataSchema": "٦١"}, -4),
        ({"requestDataSchema": "63"}, -4),
        ({"requestDataSchema": "65"}, -4),
        ({"requestDataSchema": "70"}, -4),
        ({"schemaVersion": ""}, -4),
        ({"schemaVersion": " "}, -4),
        ({"requestType": "RetrieveStatus"}, -4),
        ({"requestType": ""}, -4),
        ({"schemaVersion": "2.5.6"}, -5),
        ({"schemaVersion": "3.5.10"}, -5),
        ({"schemaVersion": "3.5"}, -5),
        ({"schemaVersion": "latest"}, -5),
        ({"requestDataSchema": "62", "schemaVersion": "2.2.1"}, -5),
    ],
)
def test_parameters_that_cannot_be_worked_on(service: Service, fields: dict[str, str], code: int) -> None:
    told = service.submit(**fields)
    assert (told.code, told.report) == (code, None)
    assert service.retrieve(told.handle).code == code
    assert nothing_kept(service)


@pytest.mark.parametrize("name", ["requestDataSchema", "schemaVersion", "submitPayload"])
def test_a_missing_parameter_is_a_wrong_one(service: Service, name: str) -> None:
    assert service.post(request(leave_out=[name])).code == -4


def test_a_missing_payload_element_is_a_wrong_one(service: Service) -> None:
    assert service.post(request(payload=b"")).code == -4


@pytest.mark.parametrize("version", ["3.4.0", "3.5.0", "3.5.1", " 3.5.1 ", "3.5.1.250403CP1", "3.5.0.250403CP5"])
def test_the_versions_of_the_standard_are_taken(service: Service, version: str) -> None:
    assert service.submit(schemaVersion=version, requestDataSchema=" 61 ").code == 1


def test_a_wrong_request_type_has_the_code_of_its_operation(service: Service) -> None:
    assert service.retrieve("x", requestType="SubmitData").code == -4
    assert service.limit(requestType="SubmitData").code == -51


# ── sizes ──────────────────────────────────────────────────────────────────────────────────────────


def test_the_limit_is_told_and_holds_for_the_payload_alone(store: Database) -> None:
    """The WSDL: the limit "should only apply to data payload, not on the whole SOAP message"."""
    size = len(data_set(REPORT))
    exact = Service(store, care_report_bytes=size)
    assert int(exact.limit().text("limit") or 0) == size // 1024
    assert exact.submit(additionalInfo="x" * 2000).code == 1
    small = Service(store, care_report_bytes=size - 1)
    told = small.submit()
    assert (told.code, told.report) == (-30, None)
    assert small.retrieve(told.handle).code == -30
    assert small.submit(password="wrong").code == -1


def test_a_busy_gateway_says_so(service: Service) -> None:
    service.submissions._waiting.extend(["x"] * 64)
    told = service.limit()
    assert (told.code, int(told.text("limit") or 0)) == (-50, -1)
    assert service.limit(password="wrong").code == -1


def test_a_flood_of_guesses_makes_it_busy_too(service: Service) -> None:
    async def flood() -> tuple[set[int], set[int]]:
        guesses = [service.apost(request(username=f"guess {number}"), **headers()) for number in range(70)]
        limits = [
            service.apost(request("QueryLimit", username=f"more {number}"), **headers("QueryLimit"))
            for number in range(10)
        ]
        answers = await asyncio.gather(*guesses, *limits)
        told = [read_answer(each).code for each in answers]
        return set(told[:70]), set(told[70:])

    submitted, asked = asyncio.run(flood())
    assert submitted == {-1, -20}
    assert asked == {-50}


def test_a_full_disk_is_told(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """The temporary file of the payload is refused by the system: here because there is no such folder."""
    monkeypatch.setattr("tempfile.tempdir", "/nowhere/at/all")
    large = data_set(REPORT).replace(b"</EMSDataSet>", (b"<!--" + b"x" * 600_000 + b"-->") * 2 + b"</EMSDataSet>")
    told = service.post(request(payload=large))
    assert told.code == -22
    assert nothing_kept(service)


def test_without_a_database_nothing_is_claimed(service: Service) -> None:
    service.submissions.database.close()
    told = service.submit()
    assert told.code == -21
    assert (told.text("serverErrorMessage") or "").startswith("not finished")


# ── on a real socket ───────────────────────────────────────────────────────────────────────────────


def _account(region: dict[str, Any]) -> None:
    feed = next(each for each in region["feeds"] if each["name"] == FEED)
    feed["service"] = {"username": USER, "password_hash": CHEAP.hash(PASSWORD), "organization": ORGANIZATION}
    region["settings"] = {"submission_at_once_bytes": 0}


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    with running(tmp_path_factory.mktemp("service"), _account) as started:
        yield started


def converse(gateway: Gateway, *pieces: bytes) -> bytes:
    """Write bytes to the port and give back what comes until it is a whole answer."""
    host, port = gateway.web.removeprefix("http://").split(":")
    answer = b""
    with socket.create_connection((host, int(port)), timeout=20) as plain:
        for piece in pieces:
            plain.sendall(piece)
        while b"oap:Envelope>" not in answer and (got := plain.recv(65536)):
            answer += got
    return answer


def head(size: int) -> bytes:
    lines = [f"{name}: {value}" for name, value in headers().items()]
    return "\r\n".join(["POST /nemsis HTTP/1.1", "Host: gateway", *lines, f"Content-Length: {size}", "", ""]).encode()


def test_who_may_not_is_told_before_the_payload_has_come(gateway: Gateway) -> None:
    """The NEMSIS V3 web services guide puts the credentials first; 100 MB are announced and never sent."""
    message = request(password="wrong")
    opening = message[: message.index(b"<ws:submitPayload>")]
    assert b"<statusCode>-1</statusCode>" in converse(gateway, head(100_000_000), opening)


def test_what_has_no_form_is_told_before_it_has_come(gateway: Gateway) -> None:
    assert b"DOCTYPE" in converse(gateway, head(100_000_000), b'<!DOCTYPE x [<!ENTITY a "b">')
    assert b"VersionMismatch" in converse(gateway, head(100_000_000), envelope(b"", namespace=SOAP_12)[:200])


def test_what_was_accepted_is_finished_after_a_kill(gateway: Gateway) -> None:
    message = request(payload=data_set(REPORT))
    answer = converse(gateway, head(len(message)), message)
    assert b"<statusCode>0</statusCode>" in answer
    handle = answer.partition(b"<requestHandle>")[2].partition(b"<")[0].decode()
    gateway.stop(signal.SIGKILL)
    gateway.start()

    def found() -> Submission:
        there = gateway.read(lambda tx: submissions.find(tx, handle))
        assert isinstance(there, Submission), "it was committed before it was answered"
        return there

    until(lambda: found().settled is not None, "the submission to be finished")
    assert found().code == 1
