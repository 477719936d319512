"""`POST /lookup` as a client meets it: who may ask, how often in vain, and where the band never stands.

Outside: RFC 7617 (Basic), RFC 9110 (10.2.3 Retry-After, 15.5.2 401 with WWW-Authenticate), RFC 8259 section 4 (of
an object's names each should come once). The limits are the contract's: 60 misses in 10 minutes, 10 failed sign-ins.
"""

import asyncio
import base64
import dataclasses
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.passwords import Passwords
from gateway.settings import Settings
from gateway.store import accounts, audit
from gateway.store.database import Database
from gateway.web import app as web
from gateway.web.app import build_app
from gateway.web.look_up import BODY_BYTES, Misses
from tests.web.yarrowfen import CHEAP, NOW
from tests.working import START, Clock, House, cases, yarrowfen

BAND, UNKNOWN = "YFFPD2J2A", "YF7K4M2QG"
PASSWORD = "k7mqx-3tpwd-hs2ac-9vnre"
Content = bytes | AsyncIterator[bytes]


class Desk:
    """The application in this process, and someone who asks it."""

    def __init__(self, house: House) -> None:
        self.house, self.clock = house, Clock(START)
        self.app = build_app(house.intake, house.region, house.database, self.clock)

    def ask(self, band: object = BAND, **more: Any) -> httpx.Response:
        return self.send(json={"band": band}, **more)

    def send(self, *, account: str = "coordinator", password: str = PASSWORD, **request: Any) -> httpx.Response:
        headers = {"Authorization": "Basic " + base64.b64encode(f"{account}:{password}".encode()).decode()}
        (answer,) = self.send_all([{"headers": headers} | request])
        return answer

    def send_all(self, requests: list[dict[str, Any]]) -> list[httpx.Response]:
        async def run() -> list[httpx.Response]:
            transport = httpx.ASGITransport(self.app)
            async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
                return await asyncio.gather(*(client.post("/lookup", **each) for each in requests))

        return asyncio.run(run())


@contextmanager
def desk(folder: Path, **settings: int) -> Iterator[Desk]:
    region = dataclasses.replace(yarrowfen(), settings=Settings.model_validate(settings))
    with Database.open(f"sqlite:///{folder}/gateway.db", key_file=folder / "key", now=NOW) as database:
        house = House(database, region)
        house.play(cases()["chest-pain-1"]["files"])
        for name in ("coordinator", "second"):
            kept = accounts.Account(name=name, password_hash=CHEAP.hash(PASSWORD), created=NOW)
            database.write(lambda tx, account=kept: accounts.add(tx, account))
        yield Desk(house)


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes that cost little: these tests sign in many times."""
    monkeypatch.setattr(web, "Passwords", lambda: Passwords(CHEAP))


@pytest.fixture
def someone(tmp_path: Path) -> Iterator[Desk]:
    with desk(tmp_path) as opened:
        yield opened


# ── who may ask ────────────────────────────────────────────────────────────────────────────────────


def test_an_account_finds_what_is_linked(someone: Desk) -> None:
    answer = someone.ask()
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    assert answer.json()["band"]["canonical"] == BAND
    assert len(answer.json()["episode"]["records"]) == 2


def test_an_unknown_band_is_404_with_the_same_shape(someone: Desk) -> None:
    answer = someone.ask(UNKNOWN)
    assert answer.status_code == 404
    assert answer.json()["episode"] is None


@pytest.mark.parametrize(
    "authorization",
    [
        None,
        "Basic",
        "Basic !!!",
        "Basic " + base64.b64encode(b"coordinator").decode(),
        "Basic " + base64.b64encode(b"coordinator:wrong").decode(),
        "Basic " + base64.b64encode(b"\xff\xfe:x").decode(),
        "Basic " + base64.b64encode(b"co\0ordinator:x").decode(),
        "Bearer demo-harrow-point-reports",
        f"Digest {PASSWORD}",
    ],
)
def test_whoever_does_not_sign_in_learns_nothing(someone: Desk, authorization: str | None) -> None:
    headers = {} if authorization is None else {"Authorization": authorization}
    (answer,) = someone.send_all([{"headers": headers, "json": {"band": BAND}}])
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Basic ")
    assert BAND not in answer.text


def test_guessing_passwords_is_stopped_though_the_right_one_comes(tmp_path: Path) -> None:
    with desk(tmp_path, sign_in_attempts=3) as guessed:
        assert [guessed.ask(password=f"guess-{n}").status_code for n in range(3)] == [401] * 3
        locked = guessed.ask()
        assert locked.status_code == 429
        assert 0 < int(locked.headers["retry-after"]) <= 15 * 60
        guessed.clock.now += timedelta(minutes=15)
        assert guessed.ask().status_code == 200


# ── how often in vain ──────────────────────────────────────────────────────────────────────────────


def test_who_misses_too_often_must_wait_whatever_is_asked_next(tmp_path: Path) -> None:
    with desk(tmp_path, look_up_misses=3) as tried:
        assert [tried.ask(UNKNOWN).status_code for _ in range(3)] == [404] * 3
        stopped = tried.ask(BAND)
        assert stopped.status_code == 429
        assert 0 < int(stopped.headers["retry-after"]) <= 10 * 60
        assert tried.ask(BAND, account="second").status_code == 200, "the others go on"
        tried.clock.now += timedelta(minutes=10)
        assert tried.ask(BAND).status_code == 200


def test_what_is_found_is_no_miss(tmp_path: Path) -> None:
    with desk(tmp_path, look_up_misses=2) as worked:
        assert [worked.ask().status_code for _ in range(5)] == [200] * 5
        assert worked.ask(UNKNOWN).status_code == 404


def test_bands_tried_all_at_once_are_counted_too(tmp_path: Path) -> None:
    with desk(tmp_path, look_up_misses=3, sign_in_attempts=100) as tried:
        headers = {"Authorization": "Basic " + base64.b64encode(f"coordinator:{PASSWORD}".encode()).decode()}
        answers = tried.send_all([{"headers": headers, "json": {"band": UNKNOWN}}] * 12)
        assert sorted(each.status_code for each in answers) == [404] * 3 + [429] * 9


def test_misses_are_forgotten_one_by_one() -> None:
    misses = Misses(2, window=timedelta(minutes=10))
    assert misses.take("a", START) is None
    assert misses.take("a", START + timedelta(minutes=4)) is None
    assert misses.take("a", START + timedelta(minutes=5)) == timedelta(minutes=5)
    assert misses.take("b", START + timedelta(minutes=5)) is None
    assert misses.take("a", START + timedelta(minutes=10)) is None
    misses.forget("a", START + timedelta(minutes=10))
    assert misses.take("a", START + timedelta(minutes=11)) is None


# ── what is no question ────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'"YFFPD2J2A"',
        b"{}",
        b'{"band": 7}',
        b'{"band": null}',
        b'{"band": "YFFPD2J2A", "band": "YF7K4M2QG"}',
        b'{"band": "' + b"Y" * BODY_BYTES + b'"}',
        b"[" * 4000,
        b"\xff\xfe",
        b'{"band": "\\ud800"}',
        b'{"band": ""}',
        b'{"band": "YFFPD2J2A", "traffic": "all"}',
        b'{"band": "YFFPD2J2A", "traffic": []}',
    ],
)
def test_what_is_no_question_is_refused(someone: Desk, body: bytes) -> None:
    assert someone.send(content=body).status_code == 400


def test_a_body_without_end_is_not_read_to_its_end(someone: Desk) -> None:
    sent = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal sent
        while sent < 10_000_000:
            sent += 1000
            yield b" " * 1000

    assert someone.send(content=endless()).status_code == 400
    assert sent <= BODY_BYTES + 2000


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE"])
def test_the_band_has_no_address(someone: Desk, method: str) -> None:
    async def run() -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(someone.app), base_url="http://gateway") as client:
            return await client.request(method, "/lookup", params={"band": BAND})

    assert asyncio.run(run()).status_code == 405


# ── what stays behind ──────────────────────────────────────────────────────────────────────────────


def test_the_band_stands_in_no_log_and_no_audit(someone: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    someone.ask()
    someone.ask(UNKNOWN)
    someone.ask(password="wrong")
    written = "".join(capsys.readouterr())
    entries = someone.house.database.read(audit.recent)
    asked = [(each.who, each.why) for each in entries if each.what == "band-looked-up"]
    assert sorted(asked) == [("coordinator", "found"), ("coordinator", "not found")]
    for band in (BAND, UNKNOWN):
        assert band not in written
        assert band not in repr(entries)


def test_while_the_store_is_down_the_answer_is_to_try_again(someone: Desk) -> None:
    someone.house.database.close()
    assert someone.ask().status_code == 503
