"""One process at a time serves a folder. That a lock goes with the process that holds it is what flock(2) says."""

import os
import re
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.data_folder import LOCK, held, make_data_folder, note
from gateway.errors import UsageFault

HOLDER = """
import sys, pathlib
from gateway.data_folder import held
with held(pathlib.Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_held_folder_is_refused_by_name_with_the_process_and_a_remedy(tmp_path: Path) -> None:
    with held(tmp_path), pytest.raises(UsageFault) as caught, held(tmp_path):
        pytest.fail("held twice")
    assert str(caught.value) == (
        f"{tmp_path}: another gateway serves this folder (process {os.getpid()}): stop it, or name another with --data"
    )
    with held(tmp_path):
        assert (tmp_path / LOCK).read_text() == str(os.getpid())
    assert (tmp_path / LOCK).stat().st_mode & 0o777 == 0o600


def test_a_process_that_was_killed_holds_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-c", HOLDER, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(UsageFault, match=f"process {holder.pid}"), held(tmp_path):
            pytest.fail("held twice")
        holder.send_signal(signal.SIGKILL)
        holder.wait(10)
    with held(tmp_path):
        assert (tmp_path / LOCK).read_text() == str(os.getpid())


def test_a_process_that_the_holder_starts_inherits_nothing(tmp_path: Path) -> None:
    with held(tmp_path):
        child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    with child, held(tmp_path):
        assert child.poll() is None


def test_a_folder_is_made_for_its_user_alone(tmp_path: Path) -> None:
    make_data_folder(tmp_path / "a" / "b")
    make_data_folder(tmp_path / "a" / "b")
    assert (tmp_path / "a" / "b").stat().st_mode & 0o777 == 0o700


def test_what_cannot_be_a_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for path in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(UsageFault, match="cannot be a data folder") as caught:
            make_data_folder(path)
        assert str(path) in str(caught.value)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / LOCK).mkdir()
    with pytest.raises(UsageFault, match="cannot be written"), held(tmp_path):
        pytest.fail("held")


@contextmanager
def full_disk() -> Iterator[None]:
    """No file may grow: every write fails, as on a full disk (setrlimit(2), RLIMIT_FSIZE)."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk_is_told_in_one_line_with_a_remedy(tmp_path: Path) -> None:
    says = re.escape(f"{tmp_path}: cannot be written (") + r"[\w ]+\): make room there, .*--data"
    with full_disk(), pytest.raises(UsageFault, match=says), held(tmp_path):
        pytest.fail("held without room for the process's number")
    with held(tmp_path):
        assert (tmp_path / LOCK).read_text() == str(os.getpid())
    with full_disk(), pytest.raises(UsageFault, match=says):
        note(tmp_path, "region", "there")


def test_a_full_disk_leaves_a_note_as_it_was(tmp_path: Path) -> None:
    note(tmp_path, "region", "there")
    with full_disk():
        note(tmp_path, "region", "there")
        with pytest.raises(UsageFault):
            note(tmp_path, "region", "elsewhere")
    assert (tmp_path / "region").read_text() == "there"
    note(tmp_path, "region", "elsewhere")
    assert (tmp_path / "region").read_text() == "elsewhere"
