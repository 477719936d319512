"""The command as a whole: help with examples, the exit statuses, one line for each fault, never a traceback.

0 good, 1 the content has faults, 2 unusable input or usage, 3 the other end could not be reached.
"""

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from gateway import __version__
from gateway.cli.main import app
from gateway.cli.statuses import STATUSES
from gateway.errors import GatewayError
from tests.cli.conftest import FIXTURES, REGION, Bandgate
from tests.fixtures.committed import SHARED, needs_standards

ROOT = FIXTURES.parent
COMMAND = Path(sys.executable).parent / "bandgate"
COMMANDS = [
    ["serve"], ["check"], ["read"], ["replay"], ["lookup"], ["token"], ["password"], ["demo"],
    ["strangers"], ["certificates"],
    ["region", "schema"], ["region", "check"], ["region", "suggest"], ["mapping", "schema"], ["mapping", "list"],
    ["schemas", "add"], ["schemas", "list"], ["schemas", "remove"],
    ["feed", "list"], ["feed", "live"], ["feed", "trial"],
]  # fmt: skip


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The installed command in a process of its own."""
    return subprocess.run(
        [str(COMMAND), *map(str, arguments)],
        capture_output=True,
        check=False,
        cwd=ROOT,
        timeout=60,
        env={**os.environ, **environment},
    )


# ── the real process ───────────────────────────────────────────────────────────────────────────────


def test_json_stands_alone_on_standard_output() -> None:
    done = run("check", FIXTURES / "bad" / "wrong-check.hl7", "--region", REGION, "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["summary"]["files"] == 1
    assert b"Not a medical device" in done.stderr


def test_a_fault_is_one_line_and_nothing_else() -> None:
    done = run("check", "no-such-file.xml", "--region", REGION)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode() == "bandgate: no-such-file.xml: cannot be read: No such file or directory\n"


def test_nobody_answers() -> None:
    """Port 1 (tcpmux) is privileged, and nothing listens there."""
    done = run("lookup", "YF7K4M2QG", "--url", "http://127.0.0.1:1", BANDGATE_PASSWORD="x")
    assert done.returncode == 3
    assert done.stderr.decode().count("\n") == 1


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_a_terminal_that_cannot_say_a_name_still_shows_the_record(tmp_path: Path, encoding: str) -> None:
    greek = "MSH|^~\\&|AHREG|AHMC|GATE|YF|20260314120000-0500||ADT^A04^ADT_A01|1|P|2.5.1|||||||UNICODE UTF-8\r"
    (tmp_path / "greek.hl7").write_text(greek + "PID|1||7^^^AHMC^MR||Ψ^Ηώ\rPV1|1|E\r", encoding="utf-8", newline="")
    done = run("read", tmp_path / "greek.hl7", "--region", REGION, PYTHONIOENCODING=encoding)
    assert done.returncode == 0
    assert ("Ηώ" if encoding == "utf-8" else "\\u0397\\u03ce") in done.stdout.decode(encoding)
    done = run("read", tmp_path / "greek.hl7", "--region", REGION, "--json", PYTHONIOENCODING=encoding)
    assert "Ηώ" in {each["value"] for record in json.loads(done.stdout)["records"] for each in record["values"]}


def test_a_reader_that_hangs_up_causes_no_traceback() -> None:
    done = subprocess.run(
        f"{shlex.quote(str(COMMAND))} read {FIXTURES}/bad/wrong-check.xml --region {REGION} | true",
        shell=True,
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert b"Traceback" not in done.stderr
    assert b"Exception" not in done.stderr


def test_the_module_is_the_command_too() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "gateway", "--version"], capture_output=True, check=True, text=True, timeout=60
    )
    assert done.stdout.strip() == __version__


# ── help ───────────────────────────────────────────────────────────────────────────────────────────


def test_every_command_is_looked_at_here() -> None:
    own = {command.name or "" for command in app.registered_commands}
    groups = {group.name: group.typer_instance for group in app.registered_groups}
    assert groups.keys() == {"feed", "region", "mapping", "schemas"}
    assert {words[0] for words in COMMANDS} == own | groups.keys()


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_help_has_an_example(bandgate: Bandgate, command: list[str]) -> None:
    said = bandgate(*command, "--help")
    assert said.status == 0
    assert said.out.count("Example: bandgate " + " ".join(command)) == 1
    assert "-h, --help" in said.out


@pytest.mark.parametrize("command", [["check"], ["read"], ["token"], ["region", "check"], ["mapping", "list"]])
def test_the_example_runs(bandgate: Bandgate, command: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """The examples that need neither a running gateway nor its data, from the top of the repository."""
    monkeypatch.chdir(ROOT)
    example = re.sub(r"\s+", " ", bandgate(*command, "--help").out)
    words = re.search(r"Example: bandgate (.*?)(?: Options:| Arguments:)", example)
    assert words
    arguments = shlex.split(words[1].replace("region check region.yaml", f"region check {REGION}"))
    assert bandgate(*arguments).status in {0, 1}


def test_help_itself_and_no_command() -> None:
    assert run("--help").returncode == 0
    assert run().returncode == 2


# ── usage ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "arguments",
    [
        ["chekc"],
        ["check"],
        ["check", "x", "--jsno"],
        ["check", "x", "--feed"],
        ["read"],
        ["read", "a", "b"],
        ["lookup"],
        ["serve", "--region", "x"],
        ["serve", "--region", "x", "--data", "y", "--port", "z"],
        ["region"],
        ["region", "chekc"],
        ["token"],
        ["strangers"],
        ["certificates"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_told_and_is_2(bandgate: Bandgate, arguments: list[str]) -> None:
    said = bandgate(*arguments)
    assert said.status == 2
    assert "Usage: " in said.out + said.err or said.err.startswith("Error: ")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["check", "nothing.xml", "--region", REGION], "nothing.xml: cannot be read"),
        (["check", FIXTURES / "mappings", "--region", REGION], "mappings: no .xml or .hl7 file in this folder"),
        (["read", FIXTURES, "--region", REGION], "fixtures: name one file, or use bandgate check for a folder"),
        (["read", "nothing.hl7", "--region", REGION], "nothing.hl7: cannot be read"),
        (["check", REGION, "--region", "nothing.yaml"], "nothing.yaml: "),
        (["check", REGION, "--region", FIXTURES / "expected.yaml"], "expected.yaml"),
        (["check", REGION, "--region", REGION, "--feed", "fenwik-adt"], "no such feed: did you mean fenwick-adt?"),
        (["check", REGION, "--region", REGION, "--schemas", FIXTURES], "fixtures: no EMSDataSet_v3.xsd here"),
        (["region", "check", FIXTURES / "bad" / "not-xml.xml"], "not-xml.xml:1: must be a mapping"),
        (["mapping", "list", "--folder", "nothing"], "nothing: no such folder"),
        (["lookup", "YF7K4M2QG"], "name one of --data and --url"),
        (["lookup", "YF7K4M2QG", "--data", "x", "--url", "y"], "name one of --data and --url"),
        (["lookup", "YF7K4M2QG", "--data", FIXTURES, "--region", REGION], "no gateway.db here"),
    ],
)  # fmt: skip
def test_unusable_input_is_told_on_a_line_with_a_remedy_and_is_2(
    bandgate: Bandgate, arguments: list[object], told: str
) -> None:
    said = bandgate(*arguments)
    assert said.status == 2
    assert said.out == ""
    assert told in said.faults[0]


def test_every_branch_of_the_errors_has_a_status() -> None:
    branches = [branch for branch, _ in STATUSES]
    for raised in GatewayError.__subclasses__():
        assert raised.__name__ == "DeliveryFault" or any(issubclass(raised, branch) for branch in branches)


def test_a_region_is_found_in_the_folder_and_in_the_environment(
    bandgate: Bandgate, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    message = FIXTURES / "bad" / "wrong-check.xml"
    (told,) = [line for line in bandgate("read", message).err.splitlines() if line.startswith("Read by")]
    assert "Yarrowfen: the invented example; name your own with --region FILE" in told
    monkeypatch.chdir(tmp_path)
    (tmp_path / "region.yaml").write_text("nmae: here\n")
    assert bandgate("read", message).faults[0].startswith("region.yaml:")
    (tmp_path / "other.yaml").write_text("nmae: there\n")
    monkeypatch.setenv("BANDGATE_REGION", str(tmp_path / "other.yaml"))
    assert "other.yaml" in bandgate("read", message).faults[0]
    monkeypatch.setenv("BANDGATE_REGION", str(REGION))
    for command in ("read", "check"):
        told = f"Read by the region Yarrowfen: {REGION}, which BANDGATE_REGION names."
        assert told in bandgate(command, message).err.splitlines()
        assert "Read by" not in bandgate(command, message, "--region", REGION).err


@needs_standards
def test_a_schema_folder_is_used(bandgate: Bandgate) -> None:
    """Against the NEMSIS 3.5.1 XSD."""
    said = bandgate(
        "check", FIXTURES / "bad" / "schema-invalid.xml", "--region", REGION, "--json",
        "--schemas", SHARED / "nemsis" / "xsd",
    )  # fmt: skip
    found = said.document["files"][0]["findings"]
    assert said.status == 1
    assert {each["code"] for each in found} == {"report-schema"}
    assert all(each["path"].startswith("/EMSDataSet/") and each["line"] for each in found)
