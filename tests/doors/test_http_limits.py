"""How much a sender may ask of the HTTP doors: rates, wrong tokens, bodies that trickle, and what is answered then.

Outside: RFC 6585 section 4 (429 with Retry-After), RFC 9110 15.5.9 (408; the connection is closed), RFC 9112 6.1 (both
framings), FHIR R4 issue-type (`throttled`, `timeout`).
"""

import hashlib
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from gateway.store.messages import recent
from tests.r4 import R4
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
    settings = narrow(request_seconds=0.3, body_bytes_per_second=1_000_000)
    with running(tmp_path_factory.mktemp("bodies"), settings) as started:
        yield started


HEAD = b"POST %s HTTP/1.1\r\nHost: gateway\r\nAuthorization: Bearer %s\r\nContent-Type: %s\r\n"
DOORS = {
    "/care-reports": HEAD % (b"/care-reports", GOOD.encode(), b"application/xml"),
    "/admissions": HEAD % (b"/admissions", b"demo-anvil-head-adt", b"application/hl7-v2"),
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
@pytest.mark.parametrize("framing", [b"Content-Length: 100000\r\n\r\n", b"Transfer-Encoding: chunked\r\n\r\n5\r\n"])
def test_a_body_that_does_not_go_on_is_408_and_the_connection_closed(
    impatient: Gateway, path: str, framing: bytes
) -> None:
    before = len(impatient.read(recent))
    answer = exchange(impatient, DOORS[path] + framing + b"<EMSD")
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"connection: close" in answer.lower()
    assert b'"payload-too-slow"' in answer
    assert len(impatient.read(recent)) == before


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
