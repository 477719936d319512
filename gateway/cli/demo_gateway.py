"""The gateway of the demonstration: a process of its own, as an operator would start it."""

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import orjson

from gateway.cli.statuses import UNUSABLE
from gateway.errors import GatewayError, GatewayFault, UsageFault

START_SECONDS = 30.0
CODE = Path(__file__).parents[2]  # where `python -m gateway` finds this very package, wherever the user stands


@contextlib.asynccontextmanager
async def gateway_process(region_file: Path, home: Path, port: int) -> AsyncIterator[dict[str, str]]:
    """The gateway as a process of its own, from its line "ready" until it is told to stop."""
    command = ["-m", "gateway", "serve", "--region", str(region_file), "--data", str(home / "data")]
    ports = ["--mllp-port", "0", "--port", str(port)]
    with open(home / "gateway.log", "wb", opener=_for_us_alone) as told:  # the first password stands in it
        process = await asyncio.create_subprocess_exec(
            sys.executable, *command, *ports, stdout=asyncio.subprocess.PIPE, stderr=told, cwd=CODE
        )
    try:
        assert process.stdout is not None
        line = await _first_line(process.stdout)
        if not line:
            raise _not_started(await process.wait(), home / "gateway.log")
        yield orjson.loads(line)["doors"]
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


def _for_us_alone(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


async def _first_line(stream: asyncio.StreamReader) -> bytes:
    try:
        async with asyncio.timeout(START_SECONDS):
            return await stream.readline()
    except TimeoutError as error:
        raise GatewayFault(f"the gateway was not ready in {START_SECONDS:g} s: try again") from error


def _not_started(status: int, log: Path) -> GatewayError:
    """What the gateway said before it ended; what the user can mend stays something the user can mend."""
    said = "\n".join(words_of("failed", log)) or f"the gateway did not start: it ended with status {status}"
    return UsageFault(said) if status == UNUSABLE else GatewayFault(said)


def words_of(event: str, log: Path) -> Iterator[str]:
    """The words of every event of this name in a gateway's log."""
    for line in log.read_text(encoding="utf-8").splitlines():
        if line.startswith("{") and (said := orjson.loads(line))["event"] == event:
            yield said["says"]
