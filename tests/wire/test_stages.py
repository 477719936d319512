"""A feed goes live, and back, while the gateway runs: by every door, without a restart, and through one.

Outside: a foreign MLLP client, a foreign HTTP client, and the command as another process.
"""

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest
from hl7.client import MLLPClient

from gateway.records import Traffic
from gateway.store.messages import Message, recent
from tests.wire.process import ROOT, Gateway, running
from tests.wire.waiting import until
from tests.working import FIXTURES, edited

A04 = (FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
REPORT = (FIXTURES / "day" / "care-reports" / "chest-pain-1-1-harrow-point.xml").read_bytes()
FEEDS = ("anvil-head-adt", "harrow-point-reports")


def on_trial(region: dict[str, Any]) -> None:
    for feed in region["feeds"]:
        if feed["name"] in FEEDS:
            feed["stage"] = "trial"
            feed["token_sha256"] = hashlib.sha256(f"demo-{feed['name']}".encode()).hexdigest()


def by_mllp(gateway: Gateway, control_id: str) -> None:
    host, port = gateway.mllp
    with MLLPClient(host, port) as client:
        answer = client.send_message(edited(A04, MSH_10=control_id.encode()))
    assert b"\rMSA|AA|" in answer


def by_http(gateway: Gateway, path: str, feed: str, content: bytes, content_type: str) -> None:
    headers = {"Authorization": f"Bearer demo-{feed}", "Content-Type": content_type}
    answer = httpx.post(f"{gateway.web}{path}", content=content, headers=headers, timeout=30, trust_env=False)
    assert answer.status_code == 200


def newest(gateway: Gateway) -> Message:
    found: Message = gateway.read(recent)[0]
    return found


def put(gateway: Gateway, feed: str, stage: str) -> dict[str, Any]:
    command = [sys.executable, "-m", "gateway", "feed", stage, feed, "--data", str(gateway.data), "--yes", "--json"]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def sent_everywhere(gateway: Gateway, number: int) -> set[Traffic]:
    """Send by each door and give back the kinds of traffic that it became."""
    traffic = set()
    by_mllp(gateway, f"M{number}")
    traffic.add(newest(gateway).traffic)
    admission = edited(A04, MSH_10=b"H%d" % number)
    by_http(gateway, "/admissions", FEEDS[0], admission, "application/hl7-v2")
    traffic.add(newest(gateway).traffic)
    by_http(gateway, "/care-reports", FEEDS[1], REPORT + b"\n" * number, "application/xml")
    traffic.add(newest(gateway).traffic)
    return traffic


@pytest.fixture
def gateway(tmp_path: Path) -> Any:
    with running(tmp_path, on_trial) as started:
        yield started


def test_going_live_takes_effect_at_every_door_without_a_restart(gateway: Gateway) -> None:
    assert sent_everywhere(gateway, 1) == {Traffic.TEST}
    for feed, records in zip(FEEDS, (1, 1), strict=True):
        told = put(gateway, feed, "live")
        assert (told["before"], told["stage"], told["changed"]) == ("trial", "live", True)
        assert told["found"]["records"] == records
    until(lambda: gateway.log().count('"stage_changed"') == 2, "the gateway to take it up")
    numbers = iter(range(2, 500))
    until(lambda: sent_everywhere(gateway, next(numbers)) == {Traffic.LIVE}, "every door to know", limit=10)
    gateway.stop()
    gateway.start()
    assert sent_everywhere(gateway, 1000) == {Traffic.LIVE}, "with the same region file, which says trial"
    put(gateway, FEEDS[0], "trial")
    put(gateway, FEEDS[1], "trial")
    until(lambda: sent_everywhere(gateway, next(numbers) + 1000) == {Traffic.TEST}, "the way back", limit=10)
