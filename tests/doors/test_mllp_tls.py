"""TLS at the MLLP door: who is let in, who is refused, what is told of it, and what it costs the others.

Outside: TLS 1.2 and 1.3 (RFC 5246, RFC 8446), certificate validity and purpose (RFC 5280, sections 4.1.2.5 and
4.2.1.12), as OpenSSL on both ends sees them. TLS 1.1 may not be used (RFC 8996).
"""

import asyncio
import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.doors.capacity import Capacity
from gateway.doors.certificates import Callers, CertificateFiles, ServedCertificate, read_client_certificate
from gateway.doors.mllp import MllpDoor
from gateway.settings import Settings
from gateway.trial_certificates import Issued, issue_client, issue_server, make_authority
from tests.doors.callers import MESSAGE, Desk, calling, framed, on_each_loop, port_of

YEAR, YESTERDAY = timedelta(days=365), timedelta(days=-1)
NOW = datetime.now(UTC)
CLIENT = "interface.anvil-head.example"


def put(folder: Path, name: str, issued: Issued) -> Path:
    """Write certificate and key into one file."""
    path = folder / f"{name}.pem"
    path.write_bytes(issued.key_pem + issued.certificate_pem)
    return path


class Authorities:
    """The authority that the door trusts, another one, and what they have signed."""

    def __init__(self, folder: Path) -> None:
        own, other = (make_authority(now=NOW, valid=YEAR) for _ in range(2))
        self.trusted = put(folder, "authority", own)
        self.server = put(folder, "server", issue_server(own, ["127.0.0.1"], now=NOW, valid=YEAR))
        self.client = put(folder, "client", issue_client(own, CLIENT, now=NOW, valid=YEAR))
        self.expired = put(folder, "expired", issue_client(own, CLIENT, now=NOW - 2 * YEAR, valid=timedelta(days=1)))
        self.foreign = put(folder, "foreign", issue_client(other, CLIENT, now=NOW, valid=YEAR))
        self.self_made = put(folder, "self-made", other)

    def files(self, callers: Callers = Callers.REQUIRED) -> CertificateFiles:
        return CertificateFiles(certificate=self.server, client_issuers=self.trusted, callers=callers)

    def caller(self, certificate: Path | None = None) -> ssl.SSLContext:
        """A client that trusts the authority, and shows a certificate."""
        context = ssl.create_default_context(cafile=str(self.trusted))
        if certificate is not None:
            context.load_cert_chain(certificate)
        return context


@pytest.fixture(scope="module")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> Authorities:
    return Authorities(tmp_path_factory.mktemp("tls"))


class Opened:
    """A door with TLS, its count of connections, and its desk."""

    def __init__(self, files: CertificateFiles, **settings: float) -> None:
        self.settings = Settings.model_validate(settings)
        self.desk, self.capacity = Desk(), Capacity(self.settings)
        self.certificate = ServedCertificate("admissions", files)
        self.door = MllpDoor(receive=self.desk.receive, settings=self.settings, capacity=self.capacity)

    async def __aenter__(self) -> "Opened":
        await self.door.open("127.0.0.1", 0, tls=lambda: self.certificate.context)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.door.close(grace=2)

    async def is_heard(self, tls: ssl.SSLContext) -> bool:
        """Whether a caller gets an answer; with TLS 1.3 a refused client learns it only when it reads."""
        try:
            async with calling(self.door, tls=tls) as caller:
                await caller.send(framed())
                return await caller.answer() == b"M1"
        except (OSError, asyncio.IncompleteReadError):
            return False

    async def until_nobody_is_counted(self) -> None:
        async with asyncio.timeout(10):
            while self.capacity.connections:
                await asyncio.sleep(0)


def test_who_shows_a_good_certificate_is_known_by_it(authorities: Authorities) -> None:
    async def run() -> None:
        async with Opened(authorities.files()) as opened:
            assert opened.door.address.startswith("mllps://")
            assert await opened.is_heard(authorities.caller(authorities.client))
            (peer,) = opened.desk.peers
            assert peer.certificate is not None
            assert CLIENT in read_client_certificate(peer.certificate).names
            await opened.until_nobody_is_counted()

    on_each_loop(run)


def test_a_certificate_may_be_asked_for_without_being_wanted(authorities: Authorities) -> None:
    async def run() -> None:
        async with Opened(authorities.files(Callers.OPTIONAL)) as opened:
            assert await opened.is_heard(authorities.caller())
            assert await opened.is_heard(authorities.caller(authorities.client))
            assert not await opened.is_heard(authorities.caller(authorities.foreign)), "one that is shown must be good"
            assert [peer.certificate is None for peer in opened.desk.peers] == [True, False]

    on_each_loop(run)


def test_an_oversize_message_is_refused_over_tls_too(authorities: Authorities) -> None:
    async def run() -> None:
        async with Opened(authorities.files(), mllp_frame_bytes=2048) as opened:
            async with calling(opened.door, tls=authorities.caller(authorities.client)) as caller:
                await caller.send(framed(MESSAGE + b"x" * 4096))
                assert await caller.answer() == b"M1"
                assert await caller.ended()
            assert [code for _, code in opened.desk.refused] == ["frame-too-large"]

    on_each_loop(run)


def tls_1_1(authorities: Authorities) -> ssl.SSLContext:
    context = authorities.caller(authorities.client)
    context.set_ciphers("ALL:@SECLEVEL=0")  # or OpenSSL would not even offer it
    context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_1
    return context


REFUSED: dict[str, tuple[Callable[[Authorities], ssl.SSLContext], str]] = {
    "no certificate": (lambda a: a.caller(), "peer did not return a certificate"),
    "another authority": (lambda a: a.caller(a.foreign), "certificate: "),
    "an authority itself": (lambda a: a.caller(a.self_made), "certificate: "),
    "expired": (lambda a: a.caller(a.expired), "certificate: certificate has expired"),
    "a server's certificate": (lambda a: a.caller(a.server), "certificate: "),
    "TLS 1.1": (tls_1_1, "unsupported protocol"),
}


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated")
@pytest.mark.parametrize("who", REFUSED)
def test_who_is_not_trusted_is_refused_and_counted_no_longer(authorities: Authorities, who: str) -> None:
    make, why = REFUSED[who]

    async def run() -> None:
        with capture_logs() as logs:
            async with Opened(authorities.files()) as opened:
                assert not await opened.is_heard(make(authorities))
                await opened.until_nobody_is_counted()
                assert await opened.is_heard(authorities.caller(authorities.client)), "the others are let in"
                assert len(opened.desk.taken) == 1
        (told,) = [line for line in logs if line["event"] == "handshake_failed"]
        assert told["why"].startswith(why), told
        assert (told["address"], told["door"]) == ("127.0.0.1", "admissions")
        assert CLIENT not in str(logs), "nothing that the certificate says stands in the log"

    on_each_loop(run)


@pytest.mark.parametrize("sent", [framed(), b"GET / HTTP/1.1\r\n\r\n", b"\x16\x03\x01", bytes(600)])
def test_plain_text_on_a_port_with_tls_is_refused(authorities: Authorities, sent: bytes) -> None:
    async def run() -> None:
        with capture_logs() as logs:
            async with Opened(authorities.files(), tls_handshake_seconds=0.3) as opened:
                async with calling(opened.door) as caller:
                    await caller.send(sent)
                    heard = await asyncio.wait_for(caller.reader.read(), 10)
                assert heard[:1] in (b"", b"\x15"), "nothing, or an alert (RFC 8446, section 6: record type 21)"
                await opened.until_nobody_is_counted()
                assert opened.desk.taken == []
        assert [line["event"] for line in logs] == ["handshake_failed"]
        assert "PID" not in str(logs)

    on_each_loop(run)


def test_a_handshake_that_never_ends_takes_a_place_and_gives_it_back(authorities: Authorities) -> None:
    async def run() -> None:
        async with Opened(authorities.files(), tls_handshake_seconds=0.3, connections_per_address=3) as opened:
            silent = [socket.create_connection(("127.0.0.1", port_of(opened.door))) for _ in range(3)]
            async with asyncio.timeout(10):
                while opened.capacity.connections < 3:
                    await asyncio.sleep(0)
            assert not await opened.is_heard(authorities.caller(authorities.client)), "they are counted"
            await opened.until_nobody_is_counted()
            assert await opened.is_heard(authorities.caller(authorities.client))
            for each in silent:
                each.close()

    on_each_loop(run)


def test_a_flood_of_bad_handshakes_fills_no_log(authorities: Authorities) -> None:
    async def run() -> None:
        with capture_logs() as logs:
            async with Opened(authorities.files()) as opened:
                for _ in range(20):
                    assert not await opened.is_heard(authorities.caller())
                    await opened.until_nobody_is_counted()
        assert [line["times"] for line in logs] == [1, 2, 4, 8, 16]

    on_each_loop(run)


def test_stopping_does_not_wait_for_a_handshake(authorities: Authorities) -> None:
    async def run() -> None:
        async with Opened(authorities.files(), tls_handshake_seconds=60) as opened:
            with socket.create_connection(("127.0.0.1", port_of(opened.door))):
                async with asyncio.timeout(5):
                    while not opened.capacity.connections:
                        await asyncio.sleep(0)
                    await opened.door.close(grace=1)
            assert opened.capacity.connections == 0

    on_each_loop(run)


# ── certificates that change ───────────────────────────────────────────────────────────────────────


@pytest.fixture
def served(tmp_path: Path) -> Any:
    """Files that a door serves and a test changes: `put` writes what a new authority has issued."""
    folder = tmp_path

    class Served:
        authority = make_authority(now=NOW, valid=YEAR)

        def __init__(self) -> None:
            self.files = CertificateFiles(certificate=folder / "chain.pem", key=folder / "chain.key")
            self.renew()

        def renew(self, *, valid: timedelta = YEAR) -> Issued:
            issued = issue_server(self.authority, ["127.0.0.1"], now=NOW, valid=valid)
            self.files.certificate.write_bytes(issued.certificate_pem)
            assert self.files.key is not None
            self.files.key.write_bytes(issued.key_pem)
            return issued

        def caller(self) -> ssl.SSLContext:
            return ssl.create_default_context(cadata=self.authority.certificate_pem.decode())

    return Served()


async def shown(opened: Opened, tls: ssl.SSLContext) -> int:
    """The serial number of the certificate that a new caller is shown."""
    async with calling(opened.door, tls=tls) as caller:
        told = caller.writer.get_extra_info("ssl_object").getpeercert()
    return int(told["serialNumber"], 16)


def test_new_connections_get_the_new_certificate_and_old_ones_stay(served: Any) -> None:
    async def run() -> None:
        async with Opened(served.files) as opened, calling(opened.door, tls=served.caller()) as old:
            before = await shown(opened, served.caller())
            assert not opened.certificate.refresh(), "nothing has changed"
            renewed = served.renew()
            with capture_logs() as logs:
                assert opened.certificate.refresh()
            assert [(line["event"], line["expires"]) for line in logs] == [
                ("certificate_taken", renewed.certificate.not_valid_after_utc.date().isoformat())
            ]
            assert await shown(opened, served.caller()) == renewed.certificate.serial_number != before
            await old.send(framed())
            assert await old.answer() == b"M1"

    on_each_loop(run)


def test_a_new_certificate_that_cannot_be_used_changes_nothing_and_is_told_once(served: Any) -> None:
    async def run() -> None:
        good = served.renew()
        async with Opened(served.files) as opened:
            spoilt: list[Callable[[], object]] = [
                lambda: served.files.certificate.write_bytes(b"half a cert"),
                lambda: served.files.certificate.unlink(),
                lambda: served.files.certificate.write_bytes(served.authority.certificate_pem),  # not this key's
            ]
            for spoil in spoilt:
                spoil()
                with capture_logs() as logs:
                    assert not opened.certificate.refresh()
                    assert not opened.certificate.refresh()
                assert [line["event"] for line in logs] == ["certificate_refused"]
                assert str(served.files.certificate) in logs[0]["why"]
                assert await shown(opened, served.caller()) == good.certificate.serial_number
            renewed = served.renew()
            assert opened.certificate.refresh()
            assert await shown(opened, served.caller()) == renewed.certificate.serial_number

    on_each_loop(run)


def test_a_server_that_keeps_one_context_shows_the_newest_certificate(served: Any) -> None:
    """A web server takes its context once; OpenSSL's callback at each handshake gives it the newest."""

    async def run() -> None:
        async with Opened(served.files) as opened:
            first = opened.certificate.context
            server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0, ssl=first)
            renewed = served.renew()
            assert opened.certificate.refresh()
            port = server.sockets[0].getsockname()[1]
            _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=served.caller())
            told = writer.get_extra_info("ssl_object").getpeercert()
            writer.close()
            server.close()
            assert int(told["serialNumber"], 16) == renewed.certificate.serial_number

    on_each_loop(run)
