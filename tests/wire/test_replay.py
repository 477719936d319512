"""`bandgate replay` against the real gateway: what it refuses is told with its reason, what it knew is told too."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.wire.process import FIXTURES, ROOT, Gateway, running

REPORT = FIXTURES / "day" / "care-reports" / "chest-pain-1-1-harrow-point.xml"
TOKEN = ["--token", "demo-harrow-point-reports"]


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    with running(tmp_path_factory.mktemp("replayed")) as started:
        yield started


def replay(*arguments: object) -> tuple[int, dict[str, Any]]:
    command = [sys.executable, "-m", "gateway", "replay", *map(str, arguments), "--json"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=60, check=False)
    return done.returncode, json.loads(done.stdout)


def reasons(path: Path, *arguments: object) -> list[str]:
    status, document = replay(path, *arguments)
    assert status == 1
    return [row["reason"] for row in document["messages"]]


def test_a_token_that_nobody_has(gateway: Gateway) -> None:
    (reason,) = reasons(REPORT, "--to", f"{gateway.web}/care-reports", "--token", "demo-nobody")
    assert reason == "no feed of care reports has this token: ask the gateway's operator for one"


@pytest.mark.parametrize(
    ("name", "place"), [("no-version.hl7", "MSH-12: "), ("no-message-type.hl7", "MSH-9: "), ("unknown-feed.hl7", "MSH")]
)
def test_an_admission_that_is_refused(gateway: Gateway, name: str, place: str) -> None:
    (reason,) = reasons(FIXTURES / "bad" / name, "--to", gateway.doors["admissions"])
    assert reason.startswith(place)
    assert len(reason) > len(place) + 10


def test_a_care_report_that_is_refused(gateway: Gateway) -> None:
    (reason,) = reasons(FIXTURES / "bad" / "truncated.xml", "--to", f"{gateway.web}/care-reports", *TOKEN)
    assert "(line " in reason


def test_a_report_that_was_sent_before(gateway: Gateway) -> None:
    told = [replay(REPORT, "--to", f"{gateway.web}/care-reports", *TOKEN) for _ in range(2)]
    assert [status for status, _ in told] == [0, 0]
    assert [document["summary"]["duplicates"] for _, document in told] == [0, 1]


def test_reasons_are_not_logged(gateway: Gateway) -> None:
    assert "ask the gateway's operator" not in gateway.log()
