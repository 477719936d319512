"""How much a sender may ask of the HTTP doors: rates, wrong tokens, bodies that trickle, and what is answered then.

Outside: RFC 6585 section 4 (429 with Retry-After), RFC 9110 15.5.9 (408; the connection is closed), RFC 9112 6.1 (both
framings), FHIR R4 issue-type (`throttled`, `timeout`).
"""

import base64
import hashlib
import re
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from gateway.store.messages import recent
from tests.r4 import R4
from tests.service import CHEAP, ORGANIZATION, PASSWORD, SERVICE, USER, headers, read_answer, request
from tests.wire.process import Gateway, running
from tests.wire.waiting import until
from tests.working import FIXTURES

REPORT = (FIXTURES / "day" / "care-reports" / "chest-pain-1-1-harrow-point.xml").read_bytes()
A04 = (FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
GOOD = "demo-harrow-point-reports"


def narrow(**settings: float) -> Any:
    def change(region: dict[str, Any]) -> None:
        feed = next(each for each in region["feeds"] if each["name"] == "anvil-head-adt")
        feed["token_sha256"] = hashlib.sha256(b"demo-anvil-head-adt").hexdigest()
        reports = next(each for each in region["feeds"] if each["name"] == "harrow-point-reports")
        account = {"username": USER, "password_hash": CHEAP.hash(PASSWORD), "organization": ORGANIZATION}
        reports["service"] = account
        region["settings"] = settings

    return change


def post(gateway: Gateway, token: str | None = GOOD, content: bytes = b"<x/>") -> httpx.Response:
    headers = {"Content-Type": "application/xml"} | ({"Authorization": f"Bearer {token}"} if token else {})
    return httpx.post(f"{gateway.web}/care-reports", content=content, headers=headers, timeout=30, trust_env=False)


def statuses(gateway: Gateway, *tokens: str | None) -> list[int]:
    return [post(gateway, token).status_code for token in tokens]


# ── rates ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway that takes two requests of a feed at once, and the next in a quarter of an hour."""
    with running(tmp_path_factory.mktemp("slow"), narrow(feed_requests_per_second=0.001)) as started:
        yield started


def test_a_feed_that_asks_too_often_is_429_and_told_when(slow: Gateway, r4: R4) -> None:
    assert statuses(slow, "demo-larkfield-reports") == [422]
    answer = post(slow, "demo-larkfield-reports")
    assert answer.status_code == 429
    assert 900 < int(answer.headers["retry-after"]) <= 1000
    r4.check(answer.json())
    assert answer.json()["issue"][0]["code"] == "throttled"
    assert statuses(slow, GOOD) == [422], "another feed is not kept waiting"


def test_an_address_that_asks_too_often_is_429_whoever_it_says_it_is(tmp_path_factory: pytest.TempPathFactory) -> None:
    with running(tmp_path_factory.mktemp("rates"), narrow(address_requests_per_second=0.001)) as gateway:
        assert statuses(gateway, None, GOOD) == [401, 429]
        health = httpx.get(f"{gateway.web}/health/live", trust_env=False)
        assert health.status_code == 200, "health is asked without end"


def ask_limit(gateway: Gateway) -> httpx.Response:
    """Sign in to the report web service and ask for its limit."""
    sent = headers("QueryLimit")
    return httpx.post(f"{gateway.web}/nemsis", content=request("QueryLimit"), headers=sent, timeout=30, trust_env=False)


def test_the_requests_of_a_feed_are_counted_at_the_report_service_and_the_doors_together(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with running(tmp_path_factory.mktemp("feeds"), narrow(feed_requests_per_second=0.001)) as gateway:
        assert read_answer(ask_limit(gateway)).code == 51
        answer = ask_limit(gateway)
        assert answer.status_code == 429
        assert 900 < int(answer.headers["retry-after"]) <= 1000
        told = read_answer(answer)
        assert told.fault is not None
        assert told.fault[0] == "Client"
        assert statuses(gateway, GOOD) == [429], "it is the same feed"
        assert statuses(gateway, "demo-larkfield-reports") == [422]


@pytest.mark.parametrize(
    ("method", "path"),
    [("POST", "/nemsis"), ("POST", "/sign-in"), ("POST", "/lookup"), ("GET", "/"), ("POST", "/nowhere")],
)
def test_an_address_is_counted_whatever_it_asks_for(
    tmp_path_factory: pytest.TempPathFactory, method: str, path: str
) -> None:
    with running(tmp_path_factory.mktemp("rates"), narrow(address_requests_per_second=0.001)) as gateway:
        assert statuses(gateway, GOOD) == [422]
        answer = httpx.request(method, f"{gateway.web}{path}", trust_env=False)
        assert answer.status_code == 429
        assert 900 < int(answer.headers["retry-after"]) <= 1000


# ── wrong tokens ───────────────────────────────────────────────────────────────────────────────────


def test_who_guesses_tokens_is_shut_out_and_who_repeats_a_wrong_one_is_not(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with running(tmp_path_factory.mktemp("guess"), narrow(sign_in_attempts=3)) as gateway:
        assert statuses(gateway, *["mistyped"] * 20, GOOD) == [401] * 20 + [422]
        assert statuses(gateway, None, None, "guess-1", "guess-2") == [401] * 4
        shut_out = post(gateway, GOOD)
        assert shut_out.status_code == 429
        assert 0 < int(shut_out.headers["retry-after"]) <= 900
        assert "guess" not in gateway.log()


# ── bodies ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def impatient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    settings = narrow(
        request_seconds=0.3, body_bytes_per_second=1_000_000, care_report_bytes=200_000, mllp_frame_bytes=200_000
    )
    with running(tmp_path_factory.mktemp("bodies"), settings) as started:
        yield started


HEAD = b"POST %s HTTP/1.1\r\nHost: gateway\r\nAuthorization: Bearer %s\r\nContent-Type: %s\r\n"
DOORS = {
    "/care-reports": HEAD % (b"/care-reports", GOOD.encode(), b"application/xml"),
    "/admissions": HEAD % (b"/admissions", b"demo-anvil-head-adt", b"application/hl7-v2"),
    "/nemsis": HEAD % (b"/nemsis", b"none", b"text/xml") + f"SOAPAction: {SERVICE}SubmitData\r\n".encode(),
    "/sign-in": HEAD % (b"/sign-in", b"none", b"application/x-www-form-urlencoded"),
    "/sign-in, in parts": HEAD % (b"/sign-in", b"none", b"multipart/form-data; boundary=x"),
}


def exchange(gateway: Gateway, *pieces: bytes) -> bytes:
    """Write the pieces, each after what comes on the one before or nothing does, and give back all that came."""
    host, port = gateway.web.removeprefix("http://").split(":")
    answer = b""
    with socket.create_connection((host, int(port)), timeout=20) as plain:
        for piece in pieces:
            plain.sendall(piece)
        while read := plain.recv(65536):
            answer += read
    return answer


@pytest.mark.parametrize("path", list(DOORS))
@pytest.mark.parametrize("framing", [b"Content-Length: 4000\r\n\r\n", b"Transfer-Encoding: chunked\r\n\r\n5\r\n"])
def test_a_body_that_does_not_go_on_is_408_and_the_connection_closed(
    impatient: Gateway, path: str, framing: bytes
) -> None:
    before = len(impatient.read(recent))
    answer = exchange(impatient, DOORS[path] + framing + (b"--x\r\n" if "parts" in path else b"<EMSD"))
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"connection: close" in answer.lower()
    assert b'"payload-too-slow"' in answer
    assert len(impatient.read(recent)) == before


def test_a_look_up_whose_question_does_not_come_is_408(impatient: Gateway) -> None:
    told = re.search(r"with the password (\S+)", impatient.log())
    assert told is not None
    pair = base64.b64encode(f"coordinator:{told.group(1)}".encode())
    head = HEAD.replace(b"Bearer", b"Basic") % (b"/lookup", pair, b"application/json")
    assert exchange(impatient, head + b"Content-Length: 20\r\n\r\n{").startswith(b"HTTP/1.1 408 ")
    assert "request_failed" not in impatient.log()


def test_a_body_that_trickles_is_408_however_often_something_comes(impatient: Gateway) -> None:
    host, port = impatient.web.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=0.02) as plain:
        plain.sendall(DOORS["/care-reports"] + b"Content-Length: 100000\r\n\r\n")
        for _ in range(1000):
            try:
                answer = plain.recv(65536)
            except TimeoutError:
                plain.sendall(b"x")
            else:
                break
    assert answer.startswith(b"HTTP/1.1 408 ")


@pytest.mark.parametrize("path", ["/nowhere", "/care-reports", "/nemsis", "/health/live"])
def test_a_body_that_nobody_reads_does_not_hold_its_connection(impatient: Gateway, path: str) -> None:
    """Whoever is answered before the body has come (401, 404, 405, 415) may not trickle or fall silent for ever."""
    host, port = impatient.web.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=0.02) as plain:
        plain.sendall(b"POST %s HTTP/1.1\r\nHost: gateway\r\nContent-Length: 100000\r\n\r\n" % path.encode())
        answer = trickle(plain)
    assert answer.startswith(b"HTTP/1.1 4")
    assert answer.count(b"HTTP/1.1 ") == 1
    assert b"HTTP/1.1 408" not in answer


def trickle(plain: socket.socket) -> bytes:
    """Write byte after byte until the connection ends, and give back all that came."""
    answer = b""
    for _ in range(500):
        try:
            read = plain.recv(65536)
            if not read:
                return answer
            answer += read
        except TimeoutError:
            plain.sendall(b"x")
        except ConnectionError:
            return answer
    raise AssertionError("the connection is held")


def test_a_connection_goes_on_after_a_body_that_nobody_read(impatient: Gateway) -> None:
    refused = b"POST /nowhere HTTP/1.1\r\nHost: gateway\r\nContent-Length: 100000\r\n\r\n"
    whole = b"GET /health/live HTTP/1.1\r\nHost: gateway\r\nConnection: close\r\n\r\n"
    answer = exchange(impatient, refused, b"x" * 100_000 + whole)
    assert answer.count(b"HTTP/1.1 ") == 2
    assert b'"pass"' in answer


def test_empty_lines_between_requests_do_not_hold_a_connection(impatient: Gateway) -> None:
    """RFC 9112, 2.2: such lines are passed over; the time of the next head runs all the same."""
    host, port = impatient.web.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as plain:
        plain.sendall(b"GET /health/live HTTP/1.1\r\nHost: gateway\r\n\r\n")
        answer = b""
        while b'"pass"' not in answer:
            answer += plain.recv(65536)
        plain.sendall(b"\r\n")
        assert plain.recv(65536) == b""


@pytest.mark.parametrize("path", ["/care-reports", "/admissions", "/sign-in"])
def test_a_body_over_the_limit_is_413_and_its_connection_ends(impatient: Gateway, path: str) -> None:
    answer = exchange(impatient, DOORS[path] + b"Content-Length: 9000000\r\n\r\n" + b"x" * 210_000)
    assert answer.startswith(b"HTTP/1.1 413 ")


def test_an_average_is_asked_of_a_body_and_no_pause_is_too_long(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What came fast pays for a pause: a megabyte at 100000 bytes a second may take ten seconds."""
    settings = narrow(request_seconds=0.3, body_bytes_per_second=100_000)
    with running(tmp_path_factory.mktemp("average"), settings) as gateway:
        host, port = gateway.web.removeprefix("http://").split(":")
        filled = REPORT + b" " * 1_000_000
        with socket.create_connection((host, int(port)), timeout=20) as plain:
            plain.sendall(DOORS["/care-reports"] + b"Content-Length: %d\r\n\r\n" % len(filled) + filled[:-1])
            plain.settimeout(1)  # more than `request_seconds`
            with pytest.raises(TimeoutError):
                plain.recv(1)
            plain.settimeout(20)
            plain.sendall(filled[-1:])
            assert plain.recv(65536).startswith(b"HTTP/1.1 200 ")


@pytest.mark.parametrize("said", [b"", b"POST /care", b"POST /care-reports HTTP/1.1\r\nHost: gate"])
def test_a_head_that_does_not_go_on_ends_the_connection(impatient: Gateway, said: bytes) -> None:
    assert exchange(impatient, said) == b""


def test_the_head_of_the_next_request_has_its_time_too(impatient: Gateway) -> None:
    whole = b"GET /health/live HTTP/1.1\r\nHost: gateway\r\n\r\n"
    answer = exchange(impatient, whole, b"GET /health/live HTTP/1.1\r\nHos")
    assert answer.count(b"HTTP/1.1 ") == 1
    assert b'"pass"' in answer


def pour(plain: socket.socket) -> None:
    """Write until nobody reads any longer; a gigabyte at most."""
    for _ in range(16_384):
        plain.sendall(b"x" * 65536)


def test_a_head_without_end_is_not_gathered(impatient: Gateway) -> None:
    host, port = impatient.web.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\nX-Long: ")
        with pytest.raises(ConnectionError):
            pour(plain)
    until(lambda: "head too large" in impatient.log(), "the log")


def test_connections_over_the_limit_are_closed_and_the_others_are_served(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with running(tmp_path_factory.mktemp("many"), narrow(http_connections=5)) as gateway:
        host, port = gateway.web.removeprefix("http://").split(":")
        opened = [socket.create_connection((host, int(port)), timeout=20) for _ in range(5)]
        with socket.create_connection((host, int(port)), timeout=20) as sixth:
            assert sixth.recv(1) == b""
        opened[0].sendall(b"GET /health/live HTTP/1.1\r\nHost: gateway\r\n\r\n")
        assert opened[0].recv(65536).startswith(b"HTTP/1.1 200 ")
        for each in opened:
            each.close()
        until(lambda: statuses(gateway, GOOD) == [422], "room")


def test_a_body_that_comes_at_once_is_taken_by_an_impatient_gateway(impatient: Gateway) -> None:
    assert post(impatient, GOOD, REPORT).status_code == 200


def test_a_length_and_an_encoding_together_are_refused_at_the_door_of_admissions_too(impatient: Gateway) -> None:
    """RFC 9112, 6.1 and 11.2."""
    framing = b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    answer = exchange(impatient, DOORS["/admissions"] + framing + b"GET /health/live HTTP/1.1\r\nHost: gateway\r\n\r\n")
    assert answer.startswith(b"HTTP/1.1 400 ")
    assert answer.count(b"HTTP/1.1 ") == 1


@pytest.mark.parametrize("path", ["/nemsis", "/sign-in"])
def test_no_address_waits_for_ever_for_a_body(impatient: Gateway, path: str) -> None:
    """The web service and the pages have the clock of the other doors, before anybody has signed in."""
    host, port = impatient.web.removeprefix("http://").split(":")
    head = (
        f'POST {path} HTTP/1.1\r\nHost: gateway\r\nSOAPAction: "http://ws.nemsis.org/QueryLimit"\r\n'
        f"Content-Type: {'text/xml' if path == '/nemsis' else 'application/x-www-form-urlencoded'}\r\n"
        "Content-Length: 1000\r\n\r\n"
    )
    with socket.create_connection((host, int(port)), timeout=20) as plain:
        plain.sendall(head.encode() + b"<")
        answer = b"".join(iter(lambda: plain.recv(4096), b""))
    assert answer.startswith(b"HTTP/1.1 4")
