"""The demonstration, as a newcomer runs it: the real process, real doors, real subscribers."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
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


def test_no_address_is_told_that_is_dead_by_then(shown: tuple[dict, str]) -> None:
    result, said = shown
    assert "://" not in said
    assert "doors" not in result


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """A demonstration that goes on, and what it has said when it waits; started where nothing of ours lies."""
    command = [str(Path(sys.executable).parent / "bandgate"), "demo", "--data", "mine"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line.rstrip())
            if line.startswith("Ctrl-C"):
                break
        yield process, said
        process.kill()


def test_what_it_says_at_the_end_can_be_used_where_the_user_stands(
    serving: tuple[subprocess.Popen[str], list[str]], tmp_path: Path
) -> None:
    process, said = serving
    (pages,) = [line.removeprefix("Pages: ") for line in said if line.startswith("Pages: ")]
    assert httpx.get(f"{pages}health/ready", trust_env=False).status_code == 200
    assert any("sign in to the pages as coordinator with the password " in line for line in said)
    (command,) = [line.partition(":")[2] for line in said if line.startswith("Look a band up:")]
    assert command.endswith(" --data mine/data")
    done = subprocess.run(command, shell=True, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert "linked" in done.stdout
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 130
    with pytest.raises(httpx.ConnectError):
        httpx.get(pages, trust_env=False)


def test_the_cautions_are_shown(shown: tuple[dict, str]) -> None:
    _, said = shown
    assert "two identifiers at the bedside" in " ".join(said.split())
