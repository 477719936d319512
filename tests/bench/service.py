"""The report web service: submissions a second with the official schema on, and the memory of one of 100 MB.

The real process serves the invented region from an SQLite file; a sender of its own process submits care reports over
keep-alive connections, one report a submission, each of another patient, with the account's password in every one.
Then one submission of 100 MB comes, and is followed by RetrieveStatus until it has its final code; what the process
takes at most, beyond what it took before, is what Linux says (proc(5), VmRSS and VmHWM).

    python -m tests.bench.service HOST PORT MESSAGES       the sender
"""

import asyncio
import base64
import json
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import cycle
from pathlib import Path
from typing import Any

import httpx
from argon2 import PasswordHasher

from tests.bench.figures import Figure
from tests.bench.traffic import Run, fresh_runs
from tests.service import NEMSIS, data_set, headers, read_answer, request
from tests.wire.process import ROOT, Gateway, running

RUNS = 3000
FEED = "harrow-point-reports"
CONNECTIONS = 16
RATE = 150.0  # submissions a second: the bar
PASSWORD, ORGANIZATION = "a quiet harbour at dusk", "bench"
LARGE, MOST = 100_000_000, 200  # bytes of the payload, and MB that it may take
MB = 1_000_000
WARM_UP = 0.1  # of the submissions, before the counting begins


def measure() -> Iterator[Figure]:
    """Give back the rate beside the bar, the waiting times, and the memory of a large submission."""
    schemas = NEMSIS / "xsd"
    if not schemas.is_dir():
        print("absent, so measured without: the official schema")
    arguments = ("--schemas", str(schemas)) if schemas.is_dir() else ()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        runs = fresh_runs(RUNS, series=7)
        with running(folder, _accounts, arguments=arguments) as gateway:
            sent = _send(gateway, _write_queues(folder / "messages.json", runs))
            print(f"report web service: {sent['seconds']:.1f} s counted, codes {sent['codes']}\n")
            yield Figure("report web service, 16 connections", sent["rate"], "reports/s", "the bar", RATE, 1.0)
            yield Figure("  answer within, half of them", sent["p50"], "ms")
            yield Figure("  answer within, 99 of 100", sent["p99"], "ms")
        with running(_emptied(folder), _accounts, arguments=arguments) as gateway:
            extra, seconds, reports = asyncio.run(_submit_large(gateway, runs))
            what = f"one submission of {LARGE / MB:,.0f} MB, {reports:,} reports, done after {seconds:.0f} s"
            yield Figure(f"{what}: extra memory", extra, "MB", bar=MOST, most=True)


def _accounts(region: dict[str, Any]) -> None:
    hashed = PasswordHasher().hash(PASSWORD)  # with the costs that `bandgate password` takes
    for feed in region["feeds"]:
        if feed["kind"] == "care-reports":
            feed["service"] = {"username": feed["name"], "password_hash": hashed, "organization": ORGANIZATION}


def _emptied(folder: Path) -> Path:
    fresh = folder / "large"
    fresh.mkdir()
    return fresh


def _message(run: Run) -> bytes:
    body = request(payload=data_set(run.report), username=run.feed, password=PASSWORD, organization=ORGANIZATION)
    lines = [f"{name}: {value}" for name, value in headers().items()]
    head = ["POST /nemsis HTTP/1.1", "Host: gateway", *lines, f"Content-Length: {len(body)}", "", ""]
    return "\r\n".join(head).encode() + body


def _write_queues(path: Path, runs: Sequence[Run]) -> Path:
    """Deal the submissions out to the connections."""
    queues = [[base64.b64encode(_message(run)).decode() for run in runs[n::CONNECTIONS]] for n in range(CONNECTIONS)]
    path.write_text(json.dumps(queues), encoding="utf-8")
    return path


def _send(gateway: Gateway, messages: Path) -> dict[str, Any]:
    host, port = gateway.web.removeprefix("http://").split(":")
    command = [sys.executable, "-m", "tests.bench.service", host, port, str(messages)]
    done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE)
    measured: dict[str, Any] = json.loads(done.stdout)
    return measured


# ── one large submission ───────────────────────────────────────────────────────────────────────────


async def _submit_large(gateway: Gateway, runs: Sequence[Run]) -> tuple[float, float, int]:
    """Submit one large payload, ask until it has its final code, and give back extra MB, seconds and reports."""
    ours = [each for each in runs if each.feed == FEED]
    run = ours[0]
    who = {"username": run.feed, "password": PASSWORD, "organization": ORGANIZATION}
    async with httpx.AsyncClient(timeout=600, trust_env=False) as client:

        async def post(operation: str, content: Any) -> Any:
            return read_answer(await client.post(gateway.doors["reports"], content=content, headers=headers(operation)))

        assert (await post("SubmitData", _message_body(run))).code == 1
        before, begun = _memory(gateway, "VmRSS"), time.perf_counter()
        head, tail = request(payload=b"@", **who).split(b"@")
        told = await post("SubmitData", _stream(head, _large(ours), tail))
        while (
            found := await post("RetrieveStatus", request("RetrieveStatus", requestHandle=told.handle, **who))
        ).code in (0, 10):
            await asyncio.sleep(0.2)
        assert found.code == 1, found.code
        extra = (_memory(gateway, "VmHWM") - before) / MB
    lines = found.root.find(".//reports")
    assert lines is not None
    return extra, time.perf_counter() - begun, int(lines.get("total", "0"))


def _message_body(run: Run) -> bytes:
    return request(payload=data_set(run.report), username=run.feed, password=PASSWORD, organization=ORGANIZATION)


async def _stream(head: bytes, payload: Iterator[bytes], tail: bytes) -> Any:
    yield head
    for piece in payload:
        yield piece
    yield tail


def _large(runs: Sequence[Run]) -> Iterator[bytes]:
    """A data set of just under the limit: the reports of one feed again and again, each under a UUID of its own."""
    reports = [_report_of(data_set(run.report)) for run in runs]
    sample = data_set(runs[0].report)
    yield sample[: sample.index(b"<PatientCareReport")]
    left = LARGE - len(sample)
    for report in cycle(reports):
        at, left = report.index(b'UUID="') + len(b'UUID="'), left - len(report)
        if left < 0:
            break
        yield report[:at] + str(uuid.uuid4()).encode() + report[at + 36 :]
    yield sample[sample.index(b"</Header>") :]


def _report_of(sample: bytes) -> bytes:
    return sample[sample.index(b"<PatientCareReport") : sample.index(b"</Header>")]


def _memory(gateway: Gateway, name: str) -> int:
    """A figure of the process, in bytes; /proc writes it in KiB."""
    assert gateway.process is not None
    lines = Path(f"/proc/{gateway.process.pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{name}:"))


# ── the sender ─────────────────────────────────────────────────────────────────────────────────────


async def _converse(host: str, port: int, messages: list[bytes], exchanges: list[tuple[float, float]]) -> list[int]:
    """Send one message after the other over one connection, and give back the codes of the answers."""
    reader, writer = await asyncio.open_connection(host, port)
    codes = []
    for message in messages:
        begun = time.perf_counter()
        writer.write(message)
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().partition(b"content-length:")[2].partition(b"\r\n")[0])
        body = await reader.readexactly(length)
        exchanges.append((begun, time.perf_counter()))
        codes.append(int(body.partition(b"<statusCode>")[2].partition(b"<")[0]))
    writer.close()
    return codes


async def _send_all(host: str, port: int, queues: list[list[bytes]]) -> dict[str, Any]:
    exchanges: list[tuple[float, float]] = []
    codes = await asyncio.gather(*(_converse(host, port, queue, exchanges) for queue in queues))
    exchanges.sort(key=lambda each: each[1])
    counted = exchanges[int(len(exchanges) * WARM_UP) :]
    seconds = counted[-1][1] - counted[0][1]
    waits = sorted((end - begin) * 1000 for begin, end in counted)
    return {
        "rate": len(counted) / seconds,
        "seconds": seconds,
        "p50": statistics.median(waits),
        "p99": waits[int(len(waits) * 0.99)],
        "codes": Counter(code for each in codes for code in each),
    }


def main() -> None:
    """Send what the file holds and print one JSON object."""
    host, port, messages = sys.argv[1:]
    queues = [[base64.b64decode(each) for each in queue] for queue in json.loads(Path(messages).read_text("utf-8"))]
    print(json.dumps(asyncio.run(_send_all(host, int(port), queues))))


if __name__ == "__main__":
    main()
