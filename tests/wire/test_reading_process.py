"""The two processes of a gateway: each ends with the other, and who stops it stops both.

Real processes, sockets and signals; the foreign MLLP client is that of python-hl7.
"""

import os
import signal
import socket
from pathlib import Path

import pytest
from hl7.client import MLLPClient  # type: ignore[import-untyped]

from tests.wire.process import Gateway, running
from tests.wire.waiting import until
from tests.working import FIXTURES, cases

A04 = (FIXTURES / next(file for file in cases()["chest-pain-1"]["files"] if file.endswith(".hl7"))).read_bytes()


def reading_process(gateway: Gateway) -> int:
    """The id of the one child of the gateway."""
    assert gateway.process is not None
    children = Path(f"/proc/{gateway.process.pid}/task/{gateway.process.pid}/children").read_text(encoding="ascii")
    (child,) = map(int, children.split())
    return child


def is_gone(process: int) -> bool:
    """Whether a process has ended; one whose parent has not looked yet is as good as gone."""
    try:
        state = (
            Path(f"/proc/{process}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[0]
        )
    except FileNotFoundError:
        return True
    return state == "Z"


def answer(gateway: Gateway) -> bytes:
    with MLLPClient(*gateway.mllp) as client:
        return bytes(client.send_message(A04))


def test_the_reading_process_is_gone_with_the_one_that_keeps_and_its_port_is_free(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        child = reading_process(gateway)
        assert b"MSA|AA|" in answer(gateway)
        gateway.stop(signal.SIGKILL)
        until(lambda: is_gone(child), "the end of the reading process")
        with socket.create_server(gateway.mllp):
            pass
        gateway.start()
        assert b"MSA|AA|" in answer(gateway)


def test_a_gateway_without_its_reading_process_ends_and_says_so(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        os.kill(reading_process(gateway), signal.SIGKILL)
        assert gateway.process is not None
        assert gateway.process.wait(30) != 0
        assert "the process that reads HL7 v2 has ended (killed by SIGKILL): start again" in gateway.log()
        gateway.process.stdout.close()  # type: ignore[union-attr]
        gateway.process = None


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_to_both_stops_both_in_order(tmp_path: Path, number: signal.Signals) -> None:
    """A service manager and a terminal send their signals to every process of a service."""
    with running(tmp_path) as gateway:
        child = reading_process(gateway)
        os.kill(child, number)
        assert b"MSA|AA|" in answer(gateway), "the keeping process says when the reading ends"
        assert gateway.stop(number) == 0
        assert is_gone(child)
        assert '"event": "stopped"' in gateway.log()


def test_a_hang_up_ends_neither(tmp_path: Path) -> None:
    """SIGHUP asks for a look at the certificates; a gateway without any goes on as well."""
    with running(tmp_path) as gateway:
        assert gateway.process is not None
        for process in (gateway.process.pid, reading_process(gateway)):
            os.kill(process, signal.SIGHUP)
        assert b"MSA|AA|" in answer(gateway)
