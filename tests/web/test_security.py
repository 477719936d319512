"""Headers, same-origin forms and small bodies. Outside: W3C Content Security Policy Level 3, RFC 6797 (HSTS), W3C
Fetch Metadata and the Fetch standard (Origin), RFC 9110 section 15.5.14 (413)."""

import socket
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from starlette.datastructures import Headers

from gateway.store.database import Database
from gateway.web.security import BODY_BYTES, is_own
from gateway.web.sign_in import FirstAccount
from tests.web.yarrowfen import Clock, browser, region, serving, sign_in, state_of


@pytest.mark.parametrize("path", ["/", "/sign-in", "/static/pages.css", "/nowhere"])
def test_every_answer_carries_the_headers(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert {policy[name] for name in ("style-src", "img-src", "form-action")} == {"'self'"}
    assert not {"unsafe-inline", "unsafe-eval", "http:", "https:", "data:", "*"} & set(policy)
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert "strict-transport-security" not in headers  # RFC 6797 section 7.2: never over plain HTTP


def test_pages_are_kept_by_no_cache_and_files_are_asked_for_again(client: httpx.Client) -> None:
    assert client.get("/").headers["cache-control"] == "no-store"
    assert client.get("/sign-in").headers["cache-control"] == "no-store"
    style = client.get("/static/pages.css")
    assert style.headers["cache-control"] == "no-cache"
    again = client.get("/static/pages.css", headers={"if-none-match": style.headers["etag"]})
    assert again.status_code == 304


def test_an_encrypted_address_is_told_to_stay_so(database: Database, account: FirstAccount, clock: Clock) -> None:
    """Behind a TLS end the region's address says https. RFC 6265bis: `__Host-` needs Secure, Path=/, no Domain."""
    state = state_of(database, clock, region(address="https://bands.yarrowfen.example"))
    with serving(state) as address, browser(address) as client:
        assert client.get("/sign-in").headers["strict-transport-security"] == "max-age=31536000"
        cookie = sign_in(client, *account).headers["set-cookie"]
        assert cookie.startswith("__Host-")
        assert {"Secure", "Path=/"} <= {part.strip() for part in cookie.split(";")}
        assert "Domain" not in cookie


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "same-origin", "host": "a"},
        {"sec-fetch-site": "none", "host": "a"},
        {"origin": "http://a:8080", "host": "a:8080"},
        {"origin": "https://a", "host": "a"},  # TLS ended before us
        {"host": "a"},  # no browser: no cookie of anybody's to misuse
    ],
)
def test_own_forms_are_taken(headers: dict[str, str]) -> None:
    assert is_own(Headers(headers))


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site", "host": "a"},
        {"sec-fetch-site": "same-site", "host": "a"},
        {"sec-fetch-site": "cross-site", "origin": "http://a", "host": "a"},
        {"sec-fetch-site": "nonsense", "host": "a"},
        {"origin": "http://b", "host": "a"},
        {"origin": "http://a.b", "host": "a"},
        {"origin": "http://a:81", "host": "a:80"},
        {"origin": "null", "host": "a"},
        {"origin": "", "host": "a"},
        {"origin": "null", "host": ""},
        {"origin": "http://a"},
    ],
)
def test_forms_of_others_are_not(headers: dict[str, str]) -> None:
    assert not is_own(Headers(headers))


def test_a_form_of_another_site_changes_nothing(client: httpx.Client, account: FirstAccount) -> None:
    refused = sign_in(client, *account, origin="https://elsewhere.example")
    assert refused.status_code == 403
    assert "set-cookie" not in refused.headers
    assert "content-security-policy" in refused.headers
    assert sign_in(client, *account, origin=str(client.base_url).rstrip("/")).status_code == 303


def test_signing_somebody_out_from_another_site_does_not_work(client: httpx.Client, account: FirstAccount) -> None:
    sign_in(client, *account)
    assert client.post("/sign-out", headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert client.get("/").status_code == 200


def test_a_large_form_is_refused(client: httpx.Client, account: FirstAccount) -> None:
    assert sign_in(client, "x" * BODY_BYTES, "").status_code == 413
    endless = (b"x" * 1000 for _ in range(1_000_000))  # sent in chunks, without a length
    try:
        answer = client.post("/sign-in", content=endless, headers={"content-type": "application/x-www-form-urlencoded"})
    except httpx.WriteError:  # the connection was closed on us while we still sent: as good a refusal
        answer = None
    assert answer is None or answer.status_code == 413
    assert sign_in(client, *account).status_code == 303  # the process lives on


@pytest.mark.parametrize("length", ["99999999999999999999", "-1", "1e3", "4097"])
def test_a_strange_or_large_length_is_refused_before_the_body_comes(address: str, length: str) -> None:
    head = (
        f"POST /sign-in HTTP/1.1\r\nHost: a\r\nContent-Type: application/x-www-form-urlencoded\r\n"
        f"Content-Length: {length}\r\n\r\n"
    )
    assert _say(address, head).split(b" ")[1] in {b"413", b"400"}


def test_who_hangs_up_in_the_middle_of_a_form_harms_nobody(address: str, account: FirstAccount) -> None:
    parts = urlsplit(address)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as line:
        line.sendall(b"POST /sign-in HTTP/1.1\r\nHost: a\r\nContent-Length: 100\r\n\r\naccount=")
    with browser(address) as client:
        assert sign_in(client, *account).status_code == 303


@pytest.mark.parametrize(
    "path",
    ["/static/../pages.py", "/static/..%2fpages.py", "/static/%2e%2e/pages.py", "/static//etc/passwd", "/static/"],
)
def test_nothing_but_our_files_is_served(address: str, path: str) -> None:
    head = _say(address, f"GET {path} HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
    assert head.split(b" ")[1] in {b"404", b"303", b"405"}
    assert b"import" not in head
    assert b"root:" not in head


def test_there_is_one_style_sheet_and_no_script() -> None:
    web = Path(__file__).parents[2] / "gateway" / "web"
    assert {path.name for path in (web / "static").iterdir()} == {"pages.css", "icon.svg"}
    for template in (web / "templates").iterdir():
        text = template.read_text()
        assert "<script" not in text
        assert "style=" not in text
        assert "| safe" not in text
        assert "http-equiv" not in text
    assert "url(" not in (web / "static" / "pages.css").read_text()


def _say(address: str, text: str) -> bytes:
    parts = urlsplit(address)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as line:
        line.sendall(text.encode())
        return line.recv(65536)
