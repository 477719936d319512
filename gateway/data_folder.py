"""The data folder of a gateway: made for its user alone, and served by one process at a time.

SQLite lets one process write, and what is claimed in it at a start is taken for the claims of a process that
has died. So whoever serves a folder holds a lock on a file in it. The system lets go of the lock when the
process ends, however it ends (flock(2)); the file itself stays, and is no sign that somebody serves.
"""

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from gateway.errors import UsageFault

LOCK = "gateway.lock"  # holds the number of the process that serves


def make_data_folder(folder: Path) -> None:
    """Make the folder if there is none, for this user alone. Raises `UsageFault` where it cannot be."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise UsageFault(f"{folder}: cannot be a data folder ({error.strerror}): name another with --data") from error


@contextlib.contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a data folder for this process. Raises `UsageFault` where another one holds it, or no lock can be had."""
    try:
        # Without a buffer: what a full disk did not take must not be tried again when the file is closed.
        file = os.fdopen(os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600), "r+b", buffering=0)
    except OSError as error:
        raise UsageFault(f"{folder}: cannot be written ({error.strerror}): name another folder with --data") from error
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            who = file.read().decode("ascii", "replace").strip() or "unknown"
            raise UsageFault(
                f"{folder}: another gateway serves this folder (process {who}): stop it, or name another with --data"
            ) from error
        except OSError as error:
            raise UsageFault(f"{folder}: cannot be locked ({error.strerror}): name a folder on a local disk") from error
        with writing(folder):
            file.truncate()
            file.write(str(os.getpid()).encode())
        yield


def note(folder: Path, name: str, text: str) -> None:
    """Put a short text into a file of the folder, unless it says so already. Raises `UsageFault` where it cannot be."""
    path = folder / name
    with writing(folder):
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            whole = path.with_name(f"{name}.new")  # a note is there whole or as it was
            whole.write_text(text, encoding="utf-8")
            whole.replace(path)


@contextlib.contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Turn what keeps a folder from being written, a full disk for one, into `UsageFault`."""
    try:
        yield
    except OSError as error:
        raise UsageFault(
            f"{folder}: cannot be written ({error.strerror}): make room there, or name another folder with --data"
        ) from error
