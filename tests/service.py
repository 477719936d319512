"""A client of the report web service written by hand from the standard: requests as bytes, answers held against it.

Outside: SOAP 1.1 (envelope, fault), and the NEMSIS V3 core WSDL, whose own schema judges every answer where it is at
hand.
"""

import asyncio
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO
from xml.sax.saxutils import escape

import httpx
from argon2 import PasswordHasher
from lxml import etree
from starlette.applications import Starlette

from gateway.adapters.report_checks import Checked
from gateway.doors.rates import buckets
from gateway.doors.report_service import ReportService
from gateway.doors.service_accounts import ServiceAccounts
from gateway.judging import Judge
from gateway.passwords import Attempts, Passwords
from gateway.region import Region
from gateway.region_file import ServiceEntry
from gateway.store.database import Database
from gateway.submissions import Submissions
from tests.working import FIXTURES, Clock, House, yarrowfen

NEMSIS = Path(__file__).parents[2] / "shared" / "standards" / "nemsis"
OFFICIAL = NEMSIS / "wsdl" / "NEMSIS_V3_core.wsdl"
SERVICE, SOAP = "http://ws.nemsis.org/", "http://schemas.xmlsoap.org/soap/envelope/"
XS = "{http://www.w3.org/2001/XMLSchema}"
FEED, USER, PASSWORD, ORGANIZATION = "harrow-point-reports", "harrow", "a quiet harbour", "HPA"
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
REPORT = (FIXTURES / "day" / "care-reports" / "chest-pain-1-1-harrow-point.xml").read_bytes()
OTHER = (FIXTURES / "day" / "care-reports" / "asthma-2-1-harrow-point.xml").read_bytes()


def data_set(document: bytes) -> bytes:
    """A file as a payload: its root element alone."""
    return document[document.index(b"<EMSDataSet") :].rstrip()


def request(
    operation: str = "SubmitData",
    payload: bytes | None = None,
    *,
    leave_out: Iterable[str] = (),
    order: Callable[[list[str]], list[str]] = lambda names: names,
    **fields: str,
) -> bytes:
    """A request in the order of the WSDL, unless `order` says otherwise; `fields` replace the usual values."""
    values = {"username": USER, "password": PASSWORD, "organization": ORGANIZATION, "requestType": operation}
    if operation == "SubmitData":
        values |= {"submitPayload": "", "requestDataSchema": "61", "schemaVersion": "3.5.1", "additionalInfo": ""}
    if operation == "RetrieveStatus":
        values |= {"requestHandle": "", "originalRequestType": "SubmitData", "additionalInfo": ""}
    values |= fields
    names = [name for name in values if name not in leave_out]
    parts = [_part(name, values[name], payload) for name in order(names)]
    return envelope(f"<ws:{operation}Request>".encode() + b"".join(parts) + f"</ws:{operation}Request>".encode())


def _part(name: str, value: str, payload: bytes | None) -> bytes:
    if name == "submitPayload":
        inner = b"<ws:payloadOfXmlElement>" + (payload if payload is not None else data_set(REPORT))
        return b"<ws:submitPayload>" + inner + b"</ws:payloadOfXmlElement></ws:submitPayload>"
    return f"<ws:{name}>{escape(value)}</ws:{name}>".encode()


def envelope(body: bytes, *, header: bytes = b"", namespace: str = SOAP) -> bytes:
    """A SOAP message around some bytes."""
    opening = f'<s:Envelope xmlns:s="{namespace}" xmlns:ws="{SERVICE}">'.encode()
    return (
        b'<?xml version="1.0" encoding="UTF-8"?>\n' + opening + header + b"<s:Body>" + body + b"</s:Body></s:Envelope>"
    )


def headers(operation: str = "SubmitData") -> dict[str, str]:
    return {"Content-Type": "text/xml; charset=utf-8", "SOAPAction": f'"{SERVICE}{operation}"'}


# ── what came back ─────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True)
class Told:
    """An answer, read by lxml."""

    status: int
    root: etree._Element = field(repr=False)

    def text(self, name: str) -> str | None:
        found = self.root.find(f".//{{{SERVICE}}}{name}")
        return None if found is None else found.text or ""

    @property
    def code(self) -> int:
        return int(self.text("statusCode") or "no code")

    @property
    def handle(self) -> str:
        return self.text("requestHandle") or ""

    @property
    def fault(self) -> tuple[str, str] | None:
        """faultcode without its prefix, and faultstring."""
        found = self.root.find(f".//{{{SOAP}}}Fault")
        if found is None:
            return None
        prefix, _, code = (found.findtext("faultcode") or "").partition(":")
        assert found.nsmap[prefix] == SOAP
        return code, found.findtext("faultstring") or ""

    @property
    def report(self) -> bytes | None:
        """The report as it stands in either of the two responses."""
        for name in ("reports", "retrieveSubmitStatus"):
            found = self.root.find(f".//{{{SERVICE}}}{name}")
            if found is not None:
                return b"".join(etree.tostring(each, method="c14n") for each in found)
        return None

    @property
    def outcomes(self) -> list[tuple[str, str]]:
        """What became of each care report, by our own report."""
        return [(each.get("name", ""), each.get("outcome", "")) for each in self.root.iter("report")]

    @property
    def notes(self) -> list[str]:
        return [each.text or "" for each in self.root.iter("note")]


def read_answer(response: httpx.Response) -> Told:
    """Read an answer, which must be valid by the standard's own schema."""
    assert response.headers["content-type"] == "text/xml; charset=utf-8"
    told = Told(response.status_code, etree.fromstring(response.content))
    assert told.root.tag == f"{{{SOAP}}}Envelope"
    body = told.root[0][0]
    if told.fault is None:
        assert response.status_code == 200
        official = official_schema()
        if official is not None:
            official.assertValid(etree.fromstring(etree.tostring(body)))
    return told


@cache
def official_schema() -> etree.XMLSchema | None:
    """The schema within the official WSDL; None where that is not at hand."""
    if not OFFICIAL.exists():
        return None
    return etree.XMLSchema(etree.parse(str(OFFICIAL)).find(f".//{XS}schema"))


# ── the service in this process, over a store that a test can look into ────────────────────────────


def nothing_found(source: BinaryIO, schema: int, version: str) -> Checked:
    """What the official checks say of a clean file."""
    del source, schema, version
    return Checked(schema="EMSDataSet 3.5.1")


def region_with_account(base: Region | None = None, *, operations: Iterable[str] = (), **settings: Any) -> Region:
    """The invented region, with an account of one feed and other settings."""
    base = base or yarrowfen()
    account = ServiceEntry(username=USER, password_hash=CHEAP.hash(PASSWORD), organization=ORGANIZATION)
    if operations:
        account = account.model_copy(update={"operations": list(operations)})
    feeds = {**base.feeds, FEED: replace(base.feeds[FEED], service=account)}
    return replace(base, feeds=feeds, settings=base.settings.model_copy(update=settings))


class Service:
    """The door without a socket."""

    def __init__(
        self, database: Database, check: Any = nothing_found, region: Region | None = None, **settings: Any
    ) -> None:
        self.region = region or region_with_account(**settings)
        self.house = House(database, self.region)
        self.clock: Clock = self.house.clock
        keeping = self.house.intake.keeping
        self.judge = Judge(database=database, reports=self.house.intake.reports, check=check, clock=self.clock)
        self.submissions = Submissions(
            region=self.region,
            database=database,
            judge=self.judge,
            clock=self.clock,
            new_id=keeping.new_id,
            holder="here",
        )
        attempts = Attempts(self.region.settings.sign_in_attempts)
        accounts = ServiceAccounts(self.region, Passwords(CHEAP), attempts, self.clock)
        self.door = ReportService(
            self.region, self.submissions, accounts, buckets(self.region.settings.feed_requests_per_second)
        )
        self.app = Starlette(routes=list(self.door.routes()))

    async def apost(self, content: bytes, **sent: str) -> httpx.Response:
        return await self._ask("POST", "/nemsis", content=content, headers=sent)

    async def _ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url="http://gateway") as client:
            return await client.request(method, path, **more)

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        return asyncio.run(self._ask(method, path, **more))

    def post(self, content: bytes, operation: str = "SubmitData", **sent: str) -> Told:
        named = {re.sub("_", "-", name): value for name, value in sent.items()}
        return read_answer(self.ask("POST", "/nemsis", content=content, headers=headers(operation) | named))

    def submit(self, document: bytes = REPORT, **fields: str) -> Told:
        return self.post(request(payload=data_set(document), **fields))

    def retrieve(self, handle: str, **fields: str) -> Told:
        return self.post(request("RetrieveStatus", requestHandle=handle, **fields), "RetrieveStatus")

    def limit(self, **fields: str) -> Told:
        return self.post(request("QueryLimit", **fields), "QueryLimit")

    def work(self) -> bool:
        """Let the worker finish one that waits."""
        return asyncio.run(self.submissions.work_on_one())
