"""Accounts, passwords, cookies and lock-out. Outside: RFC 6265bis (cookie attributes), RFC 2104 (HMAC), RFC 9106
(Argon2), RFC 9110 section 10.2.3 (Retry-After). The limits are the contract's: 10 failures in 15 minutes."""

import asyncio
import base64
import hashlib
import hmac
import io
import json
import statistics
import time
from datetime import timedelta

import httpx
import pytest
from argon2 import PasswordHasher
from hypothesis import given
from hypothesis import strategies as st

from gateway import logs
from gateway.passwords import Attempts, Passwords
from gateway.store import accounts
from gateway.store.database import Database
from gateway.web.sign_in import (
    FirstAccount,
    LockedOut,
    Sessions,
    SignedIn,
    WrongPair,
    first_account,
    readable_password,
)
from gateway.web.sign_in import sign_in as decide
from tests.web.yarrowfen import CHEAP, NOW, Clock, browser, sign_in

# ── the first account ──────────────────────────────────────────────────────────────────────────────


def test_the_first_account_is_made_once(database: Database) -> None:
    made = first_account(database, now=NOW)
    assert made is not None
    assert made.name == "coordinator"
    kept = database.read(lambda tx: accounts.find(tx, "coordinator"))
    assert kept is not None
    assert made.password not in kept.password_hash
    assert PasswordHasher().verify(kept.password_hash, made.password)
    assert kept.password_hash.startswith("$argon2id$v=19$")  # RFC 9106 section 3.1: version 0x13
    assert first_account(database, now=NOW) is None


def test_no_account_is_made_where_there_is_another(database: Database) -> None:
    database.write(lambda tx: accounts.add(tx, accounts.Account(name="wren", password_hash="h", created=NOW)))
    assert first_account(database, now=NOW) is None


def test_a_password_can_be_read_aloud_and_is_never_the_same() -> None:
    many = {readable_password() for _ in range(200)}
    assert len(many) == 200
    for password in many:
        assert [len(group) for group in password.split("-")] == [5, 5, 5, 5]
        assert not set(password) & set("ilo01")


# ── over the wire ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("path", ["/", "/?traffic=test", "/nowhere", "/status", "/docs", "/openapi.json"])
def test_whoever_is_not_signed_in_is_led_to_the_sign_in(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in"
    assert answer.content == b""
    assert client.post("/nowhere").status_code == 303


def test_signing_in_and_out(client: httpx.Client, account: FirstAccount) -> None:
    assert client.get("/sign-in").status_code == 200
    answer = sign_in(client, *account)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    attributes = {part.strip().lower() for part in answer.headers["set-cookie"].split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/", "max-age=43200"} <= attributes
    assert client.get("/").status_code == 200
    assert client.get("/sign-in").headers["location"] == "/"
    assert client.get("/nowhere").status_code == 404
    answer = client.post("/sign-out")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert client.get("/").status_code == 303


def test_signing_out_ends_a_copied_cookie_too(address: str, client: httpx.Client, account: FirstAccount) -> None:
    sign_in(client, *account)
    copy = dict(client.cookies)
    client.post("/sign-out")
    with browser(address) as thief:
        thief.cookies.update(copy)
        assert thief.get("/").status_code == 303


def test_a_sign_in_ends_after_twelve_hours(client: httpx.Client, account: FirstAccount, clock: Clock) -> None:
    sign_in(client, *account)
    clock.now = NOW + timedelta(hours=12) - timedelta(seconds=1)
    assert client.get("/").status_code == 200
    clock.now = NOW + timedelta(hours=12)
    assert client.get("/").status_code == 303


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("coordinator", "wrong"),
        ("coordinator", ""),
        ("", ""),
        ("nobody", "wrong"),
        ("coordinator ", "right"),
        ("COORDINATOR", "right"),
        ("coordinator\0", "right"),
        ("coordinator' OR '1'='1", "x"),
        ("\ud83d\udc26".encode("utf-16", "surrogatepass").decode("utf-16"), "x"),
    ],
)
def test_a_wrong_pair_is_refused_in_one_voice(
    client: httpx.Client, account: FirstAccount, name: str, password: str
) -> None:
    answer = sign_in(client, name, account.password if password == "right" else password)
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers
    assert "Account and password do not fit together." in answer.text


def test_a_form_without_its_fields_is_a_wrong_pair(client: httpx.Client, account: FirstAccount) -> None:
    assert client.post("/sign-in").status_code == 401
    assert client.post("/sign-in", content=b"\xff\xfe=%zz&account").status_code == 401
    assert client.post("/sign-in", files={"account": b"coordinator"}).status_code in {400, 401}


def test_what_was_typed_comes_back_escaped(client: httpx.Client) -> None:
    answer = sign_in(client, '"><script>alert(1)</script>', "x")
    assert "<script>" not in answer.text
    assert "&lt;script&gt;" in answer.text


def test_ten_failures_lock_the_account_out_for_this_address(
    client: httpx.Client, account: FirstAccount, clock: Clock
) -> None:
    for second in range(10):
        clock.now = NOW + timedelta(seconds=second)
        assert sign_in(client, account.name, "wrong").status_code == 401
    refused = sign_in(client, *account)
    assert refused.status_code == 429
    assert refused.headers["retry-after"] == str(15 * 60 - 9)
    assert "Try again in 15 min." in refused.text
    clock.now = NOW + timedelta(minutes=15) - timedelta(seconds=1)
    assert sign_in(client, *account).status_code == 429
    clock.now = NOW + timedelta(minutes=15)  # the first failure has left the window
    assert sign_in(client, *account).status_code == 303
    assert sign_in(client, account.name, "wrong").status_code == 401  # and the count began anew


def test_the_log_never_names_who_failed(client: httpx.Client, account: FirstAccount) -> None:
    stream = io.StringIO()
    logs.set_up(stream)
    sign_in(client, "wrong-name", "wrong-word")
    sign_in(client, *account)
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [line["event"] for line in lines] == ["sign_in_failed", "signed_in"]
    assert lines[0]["address"] == "127.0.0.1"
    assert not {"wrong-name", "wrong-word", account.password} & set(stream.getvalue().replace('"', " ").split())


# ── the decision ───────────────────────────────────────────────────────────────────────────────────


def test_many_at_once_gain_nothing(database: Database, account: FirstAccount) -> None:
    """Thirty attempts in flight together: ten are looked at, though none has failed yet when the last begins."""

    async def rush() -> list[object]:
        passwords, attempts = Passwords(CHEAP), Attempts(10)
        return await asyncio.gather(
            *(_attempt(database, passwords, attempts, account.name, f"guess {number}") for number in range(30))
        )

    decisions = asyncio.run(rush())
    assert [type(each) for each in decisions].count(WrongPair) == 10
    assert [type(each) for each in decisions].count(LockedOut) == 20


def test_a_flood_is_turned_away_before_it_piles_up(database: Database, account: FirstAccount) -> None:
    async def flood() -> list[object]:
        passwords, attempts = Passwords(CHEAP), Attempts(10)
        return await asyncio.gather(
            *(_attempt(database, passwords, attempts, f"guess {number}", "x") for number in range(80))
        )

    decisions = asyncio.run(flood())
    waits = [each.wait for each in decisions if isinstance(each, LockedOut)]
    assert waits
    assert max(waits) < timedelta(minutes=1)


def test_an_unknown_account_takes_as_long_as_a_known_one(database: Database) -> None:
    """Measured in processor time, with a hash of some milliseconds: without the hash of nobody it would be none."""
    slow = PasswordHasher(time_cost=2, memory_cost=16 * 1024, parallelism=1)
    kept = accounts.Account(name="wren", password_hash=slow.hash("right"), created=NOW)
    database.write(lambda tx: accounts.add(tx, kept))

    async def seconds(name: str) -> float:
        passwords, attempts, times = Passwords(slow), Attempts(100), []
        for _ in range(9):
            begun = time.process_time()
            assert await _attempt(database, passwords, attempts, name, "wrong") == WrongPair()
            times.append(time.process_time() - begun)
        return statistics.median(times)

    known, unknown = asyncio.run(seconds("wren")), asyncio.run(seconds("nobody"))
    assert known / 2 < unknown < known * 2


def test_a_right_pair_is_let_in(database: Database, account: FirstAccount) -> None:
    decision = asyncio.run(_attempt(database, Passwords(CHEAP), Attempts(10), *account))
    assert decision == SignedIn("coordinator")


async def _attempt(
    database: Database, passwords: Passwords, attempts: Attempts, account: str, password: str
) -> SignedIn | WrongPair | LockedOut:
    return await decide(database, passwords, attempts, account=account, password=password, address="192.0.2.7", now=NOW)


# ── cookies ────────────────────────────────────────────────────────────────────────────────────────


def test_a_cookie_is_signed_as_rfc_2104_says() -> None:
    body, signature = Sessions(b"k" * 32).begin("wren", NOW).split(".")
    expected = hmac.new(b"k" * 32, body.encode(), hashlib.sha256).digest()
    assert base64.urlsafe_b64decode(signature + "=") == expected
    assert json.loads(base64.urlsafe_b64decode(body + "=="))["account"] == "wren"


def test_a_cookie_is_good_only_with_the_key_that_signed_it() -> None:
    cookie = Sessions().begin("wren", NOW)
    assert Sessions().find(cookie, NOW) is None


def test_a_signed_text_that_is_no_session_is_none() -> None:
    sessions = Sessions(b"k" * 32)
    for body in ("", "e30", "bm90IGpzb24", "a", "%%%", "//"):
        signature = base64.urlsafe_b64encode(hmac.digest(b"k" * 32, body.encode(), "sha256")).decode().rstrip("=")
        assert sessions.find(f"{body}.{signature}", NOW) is None


@given(st.text(st.characters(max_codepoint=255)))
def test_no_text_of_others_is_a_session(text: str) -> None:
    assert Sessions(b"k" * 32).find(text, NOW) is None


@given(st.integers(0, 200), st.characters(codec="latin-1"))
def test_one_changed_character_ends_a_cookie(place: int, character: str) -> None:
    sessions = Sessions(b"k" * 32)
    cookie = sessions.begin("wren", NOW)
    changed = cookie[: place % len(cookie)] + character + cookie[place % len(cookie) + 1 :]
    found = sessions.find(changed, NOW)
    assert (found is not None) == (changed == cookie)


def test_ended_sessions_are_forgotten_with_their_cookies() -> None:
    sessions = Sessions()
    old = sessions.find(sessions.begin("wren", NOW), NOW)
    assert old is not None
    sessions.end(old, NOW)
    later = NOW + timedelta(hours=13)
    fresh_cookie = sessions.begin("wren", later)
    fresh = sessions.find(fresh_cookie, later)
    assert fresh is not None
    sessions.end(fresh, later)
    assert sessions.find(fresh_cookie, later) is None
    assert len(sessions._ended) == 1
