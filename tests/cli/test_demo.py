"""`bandgate demo`, without the day itself: how it names things, and when it will not start."""

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.cli.demo import command_from_here, from_here, links_in_words
from tests.cli.conftest import Bandgate


def make_command(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text('#!/bin/sh\necho called "$@"\n')
    path.chmod(0o755)
    return path


@pytest.mark.parametrize(
    ("folder", "here", "typed"),
    [
        (".venv/bin", ".", ".venv/bin/bandgate"),
        (".venv/bin", ".venv/bin", "./bandgate"),
        ("a place/bin", ".", "'a place/bin/bandgate'"),
        (".venv/bin", "elsewhere", None),
    ],
)
def test_a_command_is_named_so_that_a_shell_finds_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, folder: str, here: str, typed: str | None
) -> None:
    command = make_command(tmp_path / folder / "bandgate")
    (tmp_path / here).mkdir(exist_ok=True)
    monkeypatch.chdir(tmp_path / here)
    monkeypatch.setenv("PATH", os.defpath)
    named = command_from_here(str(command))
    assert named == (typed or str(command))
    done = subprocess.run(f"{named} lookup", shell=True, capture_output=True, text=True, check=True, timeout=10)
    assert done.stdout == "called lookup\n"


def test_a_command_on_the_path_is_named_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    command = make_command(tmp_path / "bin" / "bandgate")
    other = make_command(tmp_path / "other" / "bandgate")
    monkeypatch.setenv("PATH", f"{command.parent}:{os.defpath}")
    assert command_from_here(str(command)) == "bandgate"
    assert command_from_here(str(other)) != "bandgate"


def test_the_module_is_named_by_its_python(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    assert command_from_here("/somewhere/gateway/__main__.py") == f"{sys.executable} -m gateway"
    assert from_here(tmp_path / "it's") == "'it'\"'\"'s'"


def test_a_port_that_is_taken_is_one_line_and_wrong_use(bandgate: Bandgate, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = bandgate("demo", "--data", tmp_path / "new", "--port", port)
    assert (said.status, said.out) == (2, "")
    assert said.faults == [
        f"the HTTP door cannot listen on 127.0.0.1:{port}: another program listens there: "
        "stop it, or name another port with --port (0 is any free one)"
    ]
    assert not (tmp_path / "new" / "data").exists(), "the same folder will do for the next try"


@pytest.mark.parametrize("there", ["data", "region.yaml"])
def test_nothing_of_somebodys_own_is_written_over(bandgate: Bandgate, tmp_path: Path, there: str) -> None:
    (tmp_path / there).mkdir()
    said = bandgate("demo", "--once", "--data", tmp_path)
    assert said.status == 2
    assert said.faults == [f"{tmp_path}: is not empty, and the demonstration would write over it: name an empty folder"]


def test_links_are_counted_by_what_they_rest_on() -> None:
    said = links_in_words({"linked, confirmed": 240, "linked": 2, "held, confirmed": 3, "withdrawn": 1})
    assert said == "links: 3 held; 2 linked by the band alone; 240 linked by two identifiers that agree; 1 withdrawn"
