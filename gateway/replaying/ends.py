"""The other ends of a replay: MLLP for HL7 v2, HTTP for HL7 v2 and care reports.

An end sends one message and says what was answered; whether that is good, and what to do when nothing came
back, is decided by whoever asked. A person's data goes to the address that was given and nowhere else: no
redirect is followed, and no proxy of the environment is used.
"""

import asyncio
import re
import ssl
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Protocol
from urllib.parse import urlsplit

import httpx

from gateway.adapters.acknowledgements import Accepted, Echo, NoAnswer, Refused, read_answer
from gateway.adapters.er7 import read
from gateway.errors import Lost, SenderFault, Unreachable, UsageFault
from gateway.mllp_client import MllpClient, read_address
from gateway.replaying.messages import Kind, Outgoing
from gateway.replaying.reasons import said_by_acknowledgement, said_by_response


class Answer(NamedTuple):
    """What came back: the acknowledgement code, or the HTTP status where there is none, and whether it is a yes.

    `reason` is what a no gives as its reason, and what a yes says of a message it knew before; see
    `gateway.replaying.reasons` for whom it may be shown to.
    """

    code: str
    is_positive: bool
    status: int | None = None
    reason: str = ""
    is_duplicate: bool = False

    def is_expected(self, expected: str | None) -> bool:
        """Whether this is the expected code or HTTP status; without an expectation, whether it is a yes."""
        return self.is_positive if expected is None else expected in {self.code, str(self.status)}


class End(Protocol):
    """One connection to another system."""

    async def send(self, message: Outgoing) -> Answer:
        """Send one message, connecting first if need be. Raises `Unreachable`, or `Lost` when no answer comes."""
        ...

    async def close(self) -> None:
        """Close the connection."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """How the other ends are spoken to: seconds to wait, TLS for the secured ones, the bearer token for HTTP."""

    timeout: float = 30.0
    tls: ssl.SSLContext | None = None
    token: str | None = None

    def __post_init__(self) -> None:
        if self.token is not None and not (self.token.isascii() and self.token.isprintable()):
            raise UsageFault("--token: holds characters that no HTTP header can carry; copy it again")


def read_tls(*, authority: Path | None, certificate: Path | None, key: Path | None = None) -> ssl.SSLContext:
    """Give back TLS that trusts this authority, or the system's, and shows this certificate; all are PEM files.

    The key may stand in the file of its certificate. Raises `UsageFault` for a file that cannot be used.
    """
    if key is not None and certificate is None:
        raise UsageFault("--key: a key belongs to a certificate; name that with --certificate")
    try:
        tls = ssl.create_default_context(cafile=authority)
    except (OSError, ssl.SSLError) as error:
        raise UsageFault(f"{authority}: no certificates in it; give a PEM file") from error
    if certificate is not None:
        try:
            tls.load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            raise _unusable(certificate, key) from error
    return tls


def _unusable(certificate: Path, key: Path | None) -> UsageFault:
    if key is None:
        remedy = "give a PEM file with both, or the key with --key"
        return UsageFault(f"{certificate}: no certificate with its key in it; {remedy}")
    return UsageFault(f"{certificate}, {key}: no certificate and its key; give both as PEM files")


# ── addresses ──────────────────────────────────────────────────────────────────────────────────────


class Targets(NamedTuple):
    """Where each kind of message goes: the first address given that takes it."""

    addresses: tuple[str, ...]
    by_kind: dict[Kind, str]


def read_targets(addresses: Sequence[str]) -> Targets:
    """Check the addresses. Raises `UsageFault` for one that is neither MLLP nor HTTP, or that holds a password."""
    by_kind: dict[Kind, str] = {}
    for address in addresses:
        for kind in _kinds_of(address):
            by_kind.setdefault(kind, address)
    return Targets(tuple(addresses), by_kind)


def _kinds_of(address: str) -> Iterable[Kind]:
    scheme, _, rest = address.partition("://")
    if "@" in rest.partition("/")[0]:
        raise UsageFault("--to: an address must hold no user or password; give a token by BANDGATE_TOKEN or --token")
    if scheme in {"mllp", "mllps"}:
        try:
            read_address(address)
        except UsageFault as fault:
            raise UsageFault(f"--to: {fault}") from fault
        return (Kind.ADMISSION,)
    if not _is_http(address):
        raise UsageFault("--to: not an address to send to; write mllp://, mllps://, http:// or https:// and host:port")
    return Kind


def _is_http(address: str) -> bool:
    try:
        url, _ = httpx.URL(address), urlsplit(address).port  # each refuses what the other lets pass
    except (httpx.InvalidURL, ValueError):
        return False
    return url.scheme in {"http", "https"} and bool(url.host) and not re.search(r"\s", address)


def check_sendable(messages: Iterable[Outgoing], targets: Targets) -> None:
    """Raise `UsageFault`, naming the file, for a message that no given address can take."""
    for message in messages:
        address = targets.by_kind.get(message.kind)
        if address is None:
            raise UsageFault(f"{message.file}: MLLP carries HL7 v2 only; add --to http://… for care reports")
        if address.startswith("mllp") and {0x0B, 0x1C} & set(message.body):
            raise UsageFault(f"{message.file}: message {message.number} holds a framing byte (0x0B, 0x1C); take it out")


def open_end(address: str, access: Access) -> End:
    """Give back an end for a checked address; it connects when it first sends."""
    return MllpEnd(address, access) if address.startswith("mllp") else HttpEnd(address, access)


# ── the two kinds of end ───────────────────────────────────────────────────────────────────────────


class MllpEnd:
    """A receiver of HL7 v2 over MLLP."""

    def __init__(self, address: str, access: Access) -> None:
        self._client = MllpClient(address, timeout=access.timeout, tls=access.tls)

    async def send(self, message: Outgoing) -> Answer:
        """See `End`. A peer that hangs up after each answer is connected to anew."""
        if not self._client.connected:
            await self._client.connect()
        data = await self._client.send(message.body)
        answer = _acknowledgement(data, message.control_id)
        if isinstance(answer, NoAnswer):
            await self._client.close()
            raise Lost("the answer does not belong to the message", reason=answer.reason)
        return _hl7_answer(answer, data)

    async def close(self) -> None:
        """See `End`."""
        await self._client.close()


class HttpEnd:
    """A receiver of HTTP POST."""

    def __init__(self, address: str, access: Access) -> None:
        self._address = httpx.URL(address)
        self._where = f"{self._address.host}:{self._address.port or {'http': 80, 'https': 443}[self._address.scheme]}"
        self._timeout = access.timeout
        self._client = httpx.AsyncClient(
            verify=access.tls or ssl.create_default_context(),
            headers={"Authorization": f"Bearer {access.token}"} if access.token else None,
            timeout=access.timeout,
            trust_env=False,
        )

    async def send(self, message: Outgoing) -> Answer:
        """See `End`. An HL7 v2 answer counts by its code; any other by its HTTP status."""
        try:
            async with asyncio.timeout(self._timeout):
                response = await self._client.post(
                    self._address, content=message.body, headers={"Content-Type": content_type(message)}
                )
        except (httpx.ConnectError, httpx.ConnectTimeout) as error:
            raise Unreachable(f"{self._where}: no connection; check host, port and certificate") from error
        except (httpx.TimeoutException, TimeoutError) as error:
            raise Lost("no answer in time", reason="silence") from error
        except httpx.RequestError as error:
            raise Lost("the connection broke before the answer", reason="disconnected") from error
        return _http_answer(response, message)

    async def close(self) -> None:
        """See `End`."""
        await self._client.aclose()


def content_type(message: Outgoing) -> str:
    """Give back the media type of a message; the character set only where the message names the right one."""
    if message.kind is Kind.REPORT:
        return "application/xml"
    return f"application/hl7-v2; charset={message.charset}" if message.charset else "application/hl7-v2"


def _http_answer(response: httpx.Response, message: Outgoing) -> Answer:
    status = response.status_code
    if message.kind is Kind.ADMISSION and response.is_success:
        answer = _acknowledgement(response.content, message.control_id)
        if not isinstance(answer, NoAnswer):
            return _hl7_answer(answer, response.content, status)
    said = said_by_response(status, response.headers.get("content-type", ""), response.content)
    return Answer(str(status), response.is_success, status, said.text, said.is_duplicate)


def _hl7_answer(answer: Accepted | Refused, data: bytes, status: int | None = None) -> Answer:
    is_positive, said = isinstance(answer, Accepted), said_by_acknowledgement(data)
    return Answer(
        answer.code, is_positive, status, said.text if said.is_duplicate or not is_positive else "", said.is_duplicate
    )


def _acknowledgement(data: bytes, control_id: str) -> Accepted | Refused | NoAnswer:
    """Read the answer. One message is in flight, so an empty MSA-2 can mean no other, nor can one to a message
    of which we cannot say the control id.
    """
    return read_answer(data, control_id or _echoed(data), echo=Echo.MAY_BE_EMPTY)


def _echoed(data: bytes) -> str:
    try:
        segment = read(data, may_lack={9, 10, 12}).find_segment("MSA")
    except SenderFault:
        return ""
    value = segment.value(2) if segment else None
    return value if isinstance(value, str) else ""
