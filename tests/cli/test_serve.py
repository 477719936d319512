"""`bandgate serve` as a process of its own: what it says on standard error, and when it will not start."""

import json
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.caution import CAUTION
from tests.wire.process import ROOT, Gateway, running


@pytest.fixture(scope="module")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    with running(tmp_path_factory.mktemp("serving")) as gateway:
        yield gateway


def bandgate(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "gateway", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)


def serve(gateway: Gateway, *arguments: object) -> subprocess.CompletedProcess[str]:
    return bandgate("serve", "--region", gateway.region, "--mllp-port", 0, "--port", 0, *arguments)


def events(text: str) -> list[dict[str, Any]]:
    """Every line of a text as the event it must be."""
    found = [json.loads(line) for line in text.splitlines()]
    assert all({"event", "timestamp", "level"} <= each.keys() for each in found)
    return found


def test_what_is_no_terminal_gets_events_alone(serving: Gateway) -> None:
    first, second, *others = events(serving.log())
    assert (first["event"], first["says"]) == ("notice", CAUTION)
    assert re.search(r"^First start: .* as coordinator with the password \S{11,} ", second["says"])
    assert "account_made" in {each["event"] for each in others}


def test_a_second_gateway_is_refused_with_folder_and_remedy(serving: Gateway) -> None:
    done = serve(serving, "--data", serving.data)
    assert (done.returncode, done.stdout) == (2, "")
    (failed,) = [each for each in events(done.stderr) if each["event"] == "failed"]
    assert serving.process is not None
    assert failed["says"] == (
        f"{serving.data}: another gateway serves this folder (process {serving.process.pid}): "
        "stop it, or name another with --data"
    )


def test_a_band_is_looked_up_while_the_gateway_serves(serving: Gateway) -> None:
    done = bandgate("lookup", "YFFPD2J2A", "--data", serving.data, "--json")
    assert (done.returncode, json.loads(done.stdout)["episode"]) == (1, None)


def test_after_a_kill_the_folder_is_served_again(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        gateway.stop(signal.SIGKILL)
        gateway.start()
        assert gateway.stop() == 0


@pytest.mark.parametrize("option", ["--port", "--mllp-port"])
def test_an_address_in_use_is_one_event(serving: Gateway, tmp_path: Path, option: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = serve(serving, "--data", tmp_path / "data", option, port)
    assert (done.returncode, done.stdout) == (2, "")
    (failed,) = [each for each in events(done.stderr) if each["event"] == "failed"]
    assert f"127.0.0.1:{port}: another program listens there" in failed["says"]
    assert f"with {option} (0 is any free one)" in failed["says"]


@pytest.mark.parametrize("port", [-1, 65536])
def test_a_port_that_is_none_is_wrong_usage(serving: Gateway, tmp_path: Path, port: int) -> None:
    """Ports are 16 bits (RFC 9293, section 3.1)."""
    done = serve(serving, "--data", tmp_path / "data", "--port", port)
    assert done.returncode == 2
    assert "Usage: " in done.stderr
    assert not (tmp_path / "data").exists()


def test_every_fault_of_a_region_file_is_an_event(tmp_path: Path) -> None:
    (tmp_path / "region.yaml").write_text("nmae: here\nsettings: {idle: 3}\n")
    done = bandgate("serve", "--region", tmp_path / "region.yaml", "--data", tmp_path / "data")
    assert done.returncode == 2
    failed = [each for each in events(done.stderr) if each["event"] == "failed"]
    assert len(failed) > 1
    assert {each["level"] for each in failed} == {"error"}


@pytest.mark.parametrize(("host", "told"), [("0.0.0.0", True), ("127.0.0.1", False), ("localhost", False)])
def test_plain_doors_to_the_network_are_warned_of(tmp_path: Path, host: str, *, told: bool) -> None:
    """Told before anything opens; the region file that is not there ends the start."""
    said = bandgate("serve", "--region", tmp_path / "none.yaml", "--data", tmp_path / "data", "--host", host)
    assert any("in clear" in each.get("says", "") for each in events(said.stderr)) is told
