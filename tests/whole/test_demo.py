"""The demonstration, as a newcomer runs it: the real process, real doors, real subscribers."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def shown() -> tuple[dict, str]:
    command = [sys.executable, "-m", "gateway", "demo", "--once", "--json"]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=240, env=os.environ, check=False)
    assert run.returncode == 0, run.stderr.decode()[-3000:]
    return json.loads(run.stdout), run.stderr.decode()


def test_every_case_became_what_it_must(shown: tuple[dict, str]) -> None:
    result, _ = shown
    assert [case for case in result["cases"]["list"] if not case["as_expected"]] == []
    assert result["cases"]["expected"] >= 60
    assert result["good"] is True


def test_everything_that_was_sent_arrived(shown: tuple[dict, str]) -> None:
    result, _ = shown
    assert result["sent"]["refused"] == []
    assert result["deliveries"]["sent"] == result["deliveries"]["received"] > 0


def test_the_counts_are_there(shown: tuple[dict, str]) -> None:
    result, _ = shown
    assert result["reports"] >= 60
    assert result["admissions"] >= 60
    assert sum(result["episodes"].values()) >= 60
    assert {"linked, confirmed", "linked", "held"} <= result["links"].keys()
    assert result["reviews"]["open"] > 0


def test_the_cautions_are_shown(shown: tuple[dict, str]) -> None:
    _, said = shown
    assert "two identifiers at the bedside" in " ".join(said.split())
