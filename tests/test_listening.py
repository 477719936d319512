"""Several MLLP doors of one gateway, in this process: which feed may speak where, TLS, and certificates that change.

Outside: HL7 v2 section 2.8 (AA, AR). The rest is what region.yaml says.
"""

import asyncio
import os
import signal
import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.errors import UsageFault
from gateway.mllp_client import MllpClient
from gateway.trial_certificates import Issued, issue_client, issue_server, make_authority
from tests.test_run import _as_before, options, serve  # noqa: F401  the fixture works by its name
from tests.working import FIXTURES, edited

NOW, YEAR = datetime.now(UTC), timedelta(days=365)
ANVIL_HEAD = (FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
BRACKWATER = (FIXTURES / "day" / "admissions" / "lungs-1-2-brackwater-adt-a04.hl7").read_bytes()
ENGINE = "engine.anvil-head.example"

Doors = dict[str, Any]


@pytest.fixture
def authority(tmp_path: Path) -> Issued:
    """An authority whose server certificate lies beside the region file."""
    made = make_authority(now=NOW, valid=YEAR)
    (tmp_path / "issuers.pem").write_bytes(made.certificate_pem)
    renew(made, tmp_path)
    return made


def renew(authority: Issued, folder: Path) -> int:
    """Put a new server certificate there and give back its serial number."""
    server = issue_server(authority, ["127.0.0.1"], now=NOW, valid=YEAR)
    (folder / "server.pem").write_bytes(server.key_pem + server.certificate_pem)
    return server.certificate.serial_number


def calling(authority: Issued, folder: Path, name: str = "") -> ssl.SSLContext:
    """A caller that trusts the authority and, with a name, shows a certificate of it."""
    context = ssl.create_default_context(cadata=authority.certificate_pem.decode())
    if name:
        client = issue_client(authority, name, now=NOW, valid=YEAR)
        (folder / "client.pem").write_bytes(client.key_pem + client.certificate_pem)
        context.load_cert_chain(folder / "client.pem")
    return context


def listeners(region: dict[str, Any]) -> None:
    feeds = {feed["name"]: feed for feed in region["feeds"]}
    feeds["anvil-head-adt"]["client_certificates"] = [{"name": ENGINE}]
    tls = {"certificate": "server.pem", "client_issuers": "issuers.pem", "client_certificates": "optional"}
    region["listeners"] = [
        {"name": "island", "port": 0, "feed": "brackwater-adt"},
        {"name": "city", "port": 0, "tls": tls},
    ]


async def said(address: str, message: bytes, tls: ssl.SSLContext | None = None) -> tuple[str, str]:
    """MSA-1 of the answer, and its words: in ERR-8 from 2.5 on, in MSA-3 before (HL7 v2, 2.15.5)."""
    async with MllpClient(address, tls=tls) as client:
        answer = (await client.send(message)).decode()
    lines = {line[:3]: line.split("|") for line in answer.split("\r")}
    words = lines.get("ERR", [])[8:] or lines["MSA"][3:]
    return lines["MSA"][1], words[0] if words else ""


def test_each_door_takes_whom_it_is_for(tmp_path: Path, authority: Issued) -> None:
    async def visit(doors: Doors) -> None:
        island, city = doors["listeners"]["island"], doors["listeners"]["city"]
        assert (island[:7], city[:8]) == ("mllp://", "mllps://")
        engine, nobody = calling(authority, tmp_path, ENGINE), calling(authority, tmp_path)
        other = calling(authority, tmp_path, "somebody.example")
        assert await said(island, BRACKWATER) == ("AA", "")
        assert await said(doors["admissions"], BRACKWATER) == ("AA", "")
        assert await said(city, BRACKWATER, nobody) == ("AA", "")
        assert await said(city, ANVIL_HEAD, engine) == ("AA", "")
        for address, message, tls, why in (
            (island, ANVIL_HEAD, None, "MSH-3 and MSH-4 are not those of the feed"),
            (doors["admissions"], ANVIL_HEAD, None, "this feed is taken only from who shows its client certificate"),
            (city, ANVIL_HEAD, nobody, "this feed is taken only from who shows its client certificate"),
            (city, ANVIL_HEAD, other, "this feed is taken only from who shows its client certificate"),
            (city, BRACKWATER, engine, "MSH-3 and MSH-4 are not those of the feed"),
            (island, edited(BRACKWATER, MSH_3=b"NEWREG"), None, "MSH-3 and MSH-4 are not those of the feed"),
            (doors["admissions"], edited(BRACKWATER, MSH_3=b"NEWREG"), None, "no feed of this region sends as"),
        ):
            code, words = await said(address, message, tls)
            assert code == "AR"
            assert words.startswith(why)

    serve(options(tmp_path, listeners), visit)


async def serial_of(address: str, tls: ssl.SSLContext) -> int:
    host, port = address.rpartition("//")[2].strip("/").split(":")
    _, writer = await asyncio.open_connection(host, int(port), ssl=tls)
    shown = writer.get_extra_info("ssl_object").getpeercert()
    writer.close()
    return int(shown["serialNumber"], 16)


def test_a_signal_makes_every_door_show_its_new_certificate(tmp_path: Path, authority: Issued) -> None:
    """SIGHUP for "read your files anew" is common practice, no source."""

    async def visit(doors: Doors) -> None:
        tls = calling(authority, tmp_path)
        addresses = [doors["admissions"], doors["listeners"]["city"], doors["web"]]
        before = {await serial_of(address, tls) for address in addresses}
        assert len(before) == 1
        renewed = renew(authority, tmp_path)
        assert {renewed} != before
        os.kill(os.getpid(), signal.SIGHUP)
        async with asyncio.timeout(10):
            while {await serial_of(address, tls) for address in addresses} != {renewed}:
                await asyncio.sleep(0)
        async with httpx.AsyncClient(verify=tls, trust_env=False) as client:
            assert (await client.get(f"{doors['web']}health/live")).status_code == 200

    serve(options(tmp_path, listeners, certificate=tmp_path / "server.pem"), visit)


def test_a_port_of_a_listener_that_is_taken_is_told_and_no_door_stays_open(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

        def change(region: dict[str, Any]) -> None:
            region["listeners"] = [{"name": "island", "port": port}]

        says = rf"the listener island door cannot listen on 127\.0\.0\.1:{port}: another program .* island in region"
        with pytest.raises(UsageFault, match=says):
            serve(options(tmp_path, change))


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda folder: (folder / "server.pem").unlink(), r"listener city: .*server\.pem: cannot be read"),
        (lambda folder: (folder / "issuers.pem").write_text("no"), r"issuers\.pem: no certificates of issuers"),
    ],
)
def test_files_of_a_listener_that_cannot_be_used_are_told_before_any_door_opens(
    tmp_path: Path, authority: Issued, spoil: Callable[[Path], object], says: str
) -> None:
    spoil(tmp_path)
    with pytest.raises(UsageFault, match=says):
        serve(options(tmp_path, listeners))


def test_every_door_stands_under_the_same_limits(tmp_path: Path) -> None:
    def change(region: dict[str, Any]) -> None:
        region["listeners"] = [{"name": "island", "port": 0, "feed": "brackwater-adt"}]
        region["settings"] = {"connections_per_address": 1}

    async def visit(doors: Doors) -> None:
        async with MllpClient(doors["admissions"]) as first:
            assert b"MSA|AA|" in await first.send(BRACKWATER)
            host, port = doors["listeners"]["island"].removeprefix("mllp://").split(":")
            reader, writer = await asyncio.open_connection(host, int(port))
            assert await asyncio.wait_for(reader.read(), 10) == b""
            writer.close()

    serve(options(tmp_path, change), visit)


def test_a_listener_that_is_open_to_a_network_in_clear_is_told_of(tmp_path: Path) -> None:
    def change(region: dict[str, Any]) -> None:
        region["listeners"] = [{"name": "island", "host": "0.0.0.0", "port": 0}, {"name": "own", "port": 0}]

    told = serve(options(tmp_path, change))
    assert [line for line in told if "in clear" in line] == [
        "listener island on 0.0.0.0 without tls: patients' data would cross the network in clear"
    ]
