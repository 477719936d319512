"""The files of a watched folder: which wait, how one is taken, and where it goes afterwards.

    FOLDER/           what a sender drops; names that upload programs give to what is not whole are left alone
    FOLDER/taking/    what is worked on; what lies there at a start is worked on again
    FOLDER/done/      what was kept, each with its result beside it
    FOLDER/refused/   what was not, or not all of it, each with its result

The rules of this file:

* Whoever drops files may put anything into the folder, links and pipes and folders of other names included. So
  nothing is named by a path: every step is relative to a folder that is held open, and follows no symbolic link.
* A file moves by renaming only. It is in one place at every moment, whatever ends the process.
* A result is whole before it has its name, and stands there before its file does.
* One process works in a folder at a time; the system lets go of its lock when the process ends (flock(2)).
"""

import contextlib
import errno
import fcntl
import os
import signal
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

from gateway.errors import GatewayFault

TAKING, DONE, REFUSED = "taking", "done", "refused"
RESULT = ".result.json"  # added to a file's name
#: How upload programs call what they have not finished (common practice, no source), and what we write ourselves.
LEFT_ALONE = (".part", ".partial", ".filepart", ".tmp", ".temp", "~", RESULT)

_LOCK = ".lock"
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC  # a pipe would keep a blocking open waiting
_NAME_BYTES = 255 - len(f"{RESULT}.99999.tmp")  # NAME_MAX of the usual file systems, less what we add
_SUFFIX = 20  # characters of a suffix that are kept: more are none
#: The leases that say whether somebody writes a file (fcntl(2)); other systems than Linux have none.
_LEASE = getattr(fcntl, "F_SETLEASE", None)
_LEASE_SIGNAL = getattr(fcntl, "F_SETSIG", None)
#: What a system or a file system answers that grants no lease at all, to us or for files of another user.
_NO_LEASES = frozenset({errno.EACCES, errno.EPERM, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK})


class FolderClosed(GatewayFault):
    """A watched folder cannot be worked in now; its text says why, in words for the operator."""


class Seen(NamedTuple):
    """A file as a look found it: as long as this stays the same, nobody has written to it."""

    name: str
    size: int
    changed: int  # nanoseconds since 1970
    number: int  # of the inode


class WatchedFolder:
    """One folder, held open for one round of work; make one with `opened`."""

    def __init__(self, base: int, parts: dict[str, int]) -> None:
        self._base = base
        self._parts = parts

    def waiting(self) -> list[Seen]:
        """Give back the files that senders have dropped, the oldest first. Raises `OSError`."""
        return _files_in(self._base)

    def left_over(self) -> list[Seen]:
        """Give back the files that were being worked on when something stopped us, the oldest first."""
        return _files_in(self._parts[TAKING])

    def refused(self) -> int:
        """How many files lie refused."""
        return len(_files_in(self._parts[REFUSED]))

    def take(self, seen: Seen) -> bool:
        """Move a file to where it is worked on; False where it is not as it was seen, or somebody writes it still.

        A file that the gateway may not open is taken too: it is told so beside it.
        """
        taking = self._parts[TAKING]
        if _look(self._base, seen.name) != seen or _look(taking, seen.name) is not None:
            return False
        if _is_written(self._base, seen.name):
            return False
        os.rename(seen.name, seen.name, src_dir_fd=self._base, dst_dir_fd=taking)
        return True

    def read(self, seen: Seen) -> BinaryIO:
        """Open a file that was taken. Raises `OSError`, also for what is no plain file any longer."""
        handle = os.open(seen.name, _FILE, dir_fd=self._parts[TAKING])
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            os.close(handle)
            raise OSError(errno.EINVAL, "not a plain file")
        return os.fdopen(handle, "rb")

    def has_changed(self, seen: Seen) -> bool:
        """Whether a file that was taken has been written to since."""
        return _look(self._parts[TAKING], seen.name) != seen

    def put_away(self, seen: Seen, where: str, result: bytes) -> None:
        """Move a file that was worked on to `done` or `refused`, its result beside it. Raises `OSError`."""
        part = self._parts[where]
        name = _free_name(part, seen.name)
        _write(part, name + RESULT, result)
        os.rename(seen.name, name, src_dir_fd=self._parts[TAKING], dst_dir_fd=part)


@contextlib.contextmanager
def opened(path: Path) -> Iterator[WatchedFolder]:
    """Open a folder for a round of work, making the folders in it. Raises `FolderClosed`."""
    with contextlib.ExitStack() as held:
        try:
            base = _open_folder(held, path)
            parts = {name: _part(held, base, name) for name in (TAKING, DONE, REFUSED)}
            lock = os.open(_LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600, dir_fd=parts[TAKING])
            held.callback(os.close, lock)
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise FolderClosed("another gateway works in it") from error
        except OSError as error:
            raise FolderClosed(reason_of(error)) from error
        yield WatchedFolder(base, parts)


def reason_of(error: OSError) -> str:
    """What the system says is wrong, without the name of any file."""
    return error.strerror or type(error).__name__


def _open_folder(held: contextlib.ExitStack, path: str | Path, *, within: int | None = None) -> int:
    follow = 0 if within is None else os.O_NOFOLLOW  # the operator's own path may lead over a link
    handle = os.open(path, _FOLDER | follow, dir_fd=within)
    held.callback(os.close, handle)
    return handle


def _part(held: contextlib.ExitStack, base: int, name: str) -> int:
    with contextlib.suppress(FileExistsError):
        os.mkdir(name, 0o770, dir_fd=base)
    try:
        return _open_folder(held, name, within=base)
    except (NotADirectoryError, PermissionError) as error:
        raise FolderClosed(f"its {name} is no folder of its own that the gateway may use") from error


def _files_in(folder: int) -> list[Seen]:
    with os.scandir(folder) as entries:
        names = [entry.name for entry in entries if _is_meant(entry.name) and entry.is_file(follow_symlinks=False)]
    found = (_look(folder, name) for name in names)
    return sorted((seen for seen in found if seen is not None), key=lambda seen: (seen.changed, seen.name))


def _is_meant(name: str) -> bool:
    return not name.startswith(".") and not name.lower().endswith(LEFT_ALONE)


def _look(folder: int, name: str) -> Seen | None:
    """A plain file as it is now; None where there is none of that name."""
    try:
        found = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return None
    return Seen(name, found.st_size, found.st_mtime_ns, found.st_ino) if stat.S_ISREG(found.st_mode) else None


def _is_written(folder: int, name: str) -> bool:
    """Whether somebody has the file open to write; False where the system cannot tell.

    A read lease is granted only while nobody has (fcntl(2), "Leases"). It is given back at once; who opens the file
    in between makes the system send a signal, which is set to one that does nothing.
    """
    if _LEASE is None or _LEASE_SIGNAL is None:
        return False
    try:
        handle = os.open(name, _FILE, dir_fd=folder)
    except PermissionError:
        return False
    try:
        fcntl.fcntl(handle, _LEASE_SIGNAL, signal.SIGURG)
        fcntl.fcntl(handle, _LEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, _LEASE, fcntl.F_UNLCK)
    except OSError as error:
        if error.errno in _NO_LEASES:
            return False
        if error.errno == errno.EAGAIN:
            return True
        raise
    finally:
        os.close(handle)
    return False


def _free_name(folder: int, name: str) -> str:
    """The name, or the next with a number in it that no file has: `export.xml`, `export.2.xml`, `export.3.xml`.

    Asked is for the file alone: a result without one was written by a round that did not end.
    """
    stem, suffix = Path(name).stem, Path(name).suffix[:_SUFFIX]
    while len(os.fsencode(stem + suffix)) > _NAME_BYTES:
        stem = stem[:-1]
    candidate, number = stem + suffix, 1
    while _exists(folder, candidate):
        number += 1
        candidate = f"{stem}.{number}{suffix}"
    return candidate


def _exists(folder: int, name: str) -> bool:
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def _write(folder: int, name: str, content: bytes) -> None:
    """Write a file under another name and give it its own when it is whole and on the disk."""
    other = f"{name}.tmp"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with contextlib.suppress(FileNotFoundError):
        os.unlink(other, dir_fd=folder)  # of a round that did not end
    try:
        with os.fdopen(os.open(other, flags, 0o660, dir_fd=folder), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.rename(other, name, src_dir_fd=folder, dst_dir_fd=folder)
    except OSError:
        with contextlib.suppress(OSError):  # half a file on a full disk; the first error is the one to tell
            os.unlink(other, dir_fd=folder)
        raise
