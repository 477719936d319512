"""Installed from a wheel, far from the checkout, mappings and fixtures are there."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("installed")
    quiet = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    subprocess.run([*quiet, "wheel", "--no-deps", "--wheel-dir", str(folder), str(ROOT)], check=True, timeout=180)
    (wheel,) = folder.glob("*.whl")
    target = folder / "site"
    subprocess.run([*quiet, "install", "--no-deps", "--target", str(target), str(wheel)], check=True, timeout=180)
    return target


def bandgate(installed: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    # The folder stands first on the path, before the checkout that is installed for development.
    start = f"import sys; sys.path.insert(0, {str(installed)!r}); from gateway.cli.main import main; main()"
    command = [sys.executable, "-c", start, *arguments]
    return subprocess.run(command, cwd=installed.parent, capture_output=True, timeout=120, env=os.environ, check=False)


def test_the_mappings_come_along(installed: Path) -> None:
    run = bandgate(installed, "mapping", "list", "--json")
    assert run.returncode == 0, run.stderr
    names = {each["mapping"] for each in json.loads(run.stdout)["mappings"]}
    assert names == {path.stem for path in (ROOT / "mappings").glob("*.yaml")}


def test_the_example_region_comes_along(installed: Path) -> None:
    fixture = installed / "gateway" / "shipped" / "fixtures"
    run = bandgate(installed, "region", "check", str(fixture / "region.yaml"), "--json")
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)["region"] == "Yarrowfen"


def test_a_message_is_read_without_naming_a_region(installed: Path) -> None:
    message = next((installed / "gateway" / "shipped" / "fixtures" / "day" / "admissions").glob("*.hl7"))
    run = bandgate(installed, "read", str(message), "--json")
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)["records"][0]["values"]
