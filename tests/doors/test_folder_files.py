"""The files of a watched folder, in a real file system: nothing is taken too early, lost, overwritten or followed.

Outside: POSIX.1-2017 (rename is atomic; O_NOFOLLOW, O_NONBLOCK on a FIFO; NAME_MAX), Linux fcntl(2) on leases and
flock(2). What upload programs call an unfinished file is common practice, no source.
"""

import errno
import json
import os
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.doors.folder_files import DONE, REFUSED, RESULT, TAKING, FolderClosed, Seen, WatchedFolder, opened
from tests.permissions import needs_permissions, nobody


def names(folder: WatchedFolder) -> list[str]:
    return [seen.name for seen in folder.waiting()]


def one(folder: WatchedFolder) -> Seen:
    (seen,) = folder.waiting()
    return seen


def can_lease(path: Path) -> bool:
    """Whether this system and file system grant leases at all."""
    import fcntl

    file = path / "lease"
    file.write_bytes(b"")
    handle = os.open(file, os.O_RDONLY)
    try:
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except (OSError, AttributeError):
        return False
    finally:
        os.close(handle)
        file.unlink()
    return True


# ── what waits ─────────────────────────────────────────────────────────────────────────────────────


def test_the_folders_in_it_are_made(tmp_path: Path) -> None:
    with opened(tmp_path) as folder:
        assert names(folder) == []
    assert {each.name for each in tmp_path.iterdir()} == {TAKING, DONE, REFUSED}


@pytest.mark.parametrize(
    "name",
    [
        ".hidden.xml",
        "a.xml.part",
        "a.xml.PART",
        "a.filepart",
        "a.partial",
        "a.tmp",
        "a.temp",
        "a.xml~",
        f"a.xml{RESULT}",
    ],
)
def test_what_is_not_whole_is_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"x")
    with opened(tmp_path) as folder:
        assert names(folder) == []


def test_only_plain_files_wait_and_the_oldest_first(tmp_path: Path) -> None:
    for number, name in enumerate(["c.xml", "a.xml", "b.xml"]):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (1000 + number, 1000 + number))
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "d.xml").write_bytes(b"x")
    (tmp_path / "link.xml").symlink_to("/etc/passwd")
    (tmp_path / "dangling.xml").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe.xml")
    with opened(tmp_path) as folder:
        assert names(folder) == ["c.xml", "a.xml", "b.xml"]


# ── taking ─────────────────────────────────────────────────────────────────────────────────────────


def test_a_file_is_taken_read_and_put_away(tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"content")
    with opened(tmp_path) as folder:
        seen = one(folder)
        assert folder.take(seen)
        assert names(folder) == []
        assert [each.name for each in folder.left_over()] == ["a.xml"]
        with folder.read(seen) as file:
            assert file.read() == b"content"
        folder.put_away(seen, DONE, b"{}")
        assert folder.left_over() == []
    assert (tmp_path / DONE / "a.xml").read_bytes() == b"content"
    assert (tmp_path / DONE / f"a.xml{RESULT}").read_bytes() == b"{}"


def test_a_file_that_has_changed_since_it_was_seen_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"half")
    with opened(tmp_path) as folder:
        seen = one(folder)
        (tmp_path / "a.xml").write_bytes(b"half and the rest")
        assert not folder.take(seen)
        (tmp_path / "a.xml").unlink()
        assert not folder.take(seen)


def test_a_file_that_somebody_has_open_to_write_is_not_taken(tmp_path: Path) -> None:
    """Linux fcntl(2): a read lease is granted only while nobody has the file open for writing."""
    if not can_lease(tmp_path):
        pytest.skip("this file system grants no leases, so nobody can tell who writes")
    (tmp_path / "a.xml").write_bytes(b"half")
    with opened(tmp_path) as folder:
        seen = one(folder)
        with (tmp_path / "a.xml").open("ab"):
            assert not folder.take(seen)
        with (tmp_path / "a.xml").open("rb"):
            assert folder.take(seen), "a reader is nobody to wait for"


def test_what_was_taken_is_not_overwritten_by_the_next_of_its_name(tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"first")
    with opened(tmp_path) as folder:
        assert folder.take(one(folder))
        (tmp_path / "a.xml").write_bytes(b"second")
        assert not folder.take(one(folder))
    assert (tmp_path / TAKING / "a.xml").read_bytes() == b"first"


def test_a_file_written_to_after_it_was_taken_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a.xml").write_bytes(b"half")
    with opened(tmp_path) as folder:
        seen = one(folder)
        folder.take(seen)
        assert not folder.has_changed(seen)
        with (tmp_path / TAKING / "a.xml").open("ab") as file:
            file.write(b" and the rest")
        assert folder.has_changed(seen)


def test_a_link_in_place_of_what_was_taken_is_not_followed(tmp_path: Path) -> None:
    """open(2), O_NOFOLLOW: ELOOP."""
    (tmp_path / "a.xml").write_bytes(b"x")
    with opened(tmp_path) as folder:
        seen = one(folder)
        folder.take(seen)
        (tmp_path / TAKING / "a.xml").unlink()
        (tmp_path / TAKING / "a.xml").symlink_to("/etc/passwd")
        with pytest.raises(OSError, match=os.strerror(errno.ELOOP)):
            folder.read(seen)
        (tmp_path / TAKING / "a.xml").unlink()
        os.mkfifo(tmp_path / TAKING / "a.xml")
        with pytest.raises(OSError, match="not a plain file"):
            folder.read(seen)


# ── putting away ───────────────────────────────────────────────────────────────────────────────────


def put_away(path: Path, name: str, content: bytes = b"x") -> None:
    (path / name).write_bytes(content)
    with opened(path) as folder:
        seen = one(folder)
        assert folder.take(seen)
        folder.put_away(seen, DONE, json.dumps({"size": len(content)}).encode())


def test_the_same_name_every_night_gets_a_number(tmp_path: Path) -> None:
    for night in range(1, 4):
        put_away(tmp_path, "export.xml", b"x" * night)
    kept = {each.name: each.stat().st_size for each in (tmp_path / DONE).glob("*.xml")}
    assert kept == {"export.xml": 1, "export.2.xml": 2, "export.3.xml": 3}
    for name, size in kept.items():
        assert json.loads((tmp_path / DONE / f"{name}{RESULT}").read_bytes()) == {"size": size}


def test_a_result_without_its_file_is_written_anew(tmp_path: Path) -> None:
    """What an end between the two steps leaves."""
    (tmp_path / DONE).mkdir()
    (tmp_path / DONE / f"a.xml{RESULT}").write_bytes(b"of a round that did not end")
    (tmp_path / DONE / f"a.xml{RESULT}.tmp").write_bytes(b"{half")
    put_away(tmp_path, "a.xml")
    assert {each.name for each in (tmp_path / DONE).iterdir()} == {"a.xml", f"a.xml{RESULT}"}
    assert json.loads((tmp_path / DONE / f"a.xml{RESULT}").read_bytes()) == {"size": 1}


def test_a_result_is_written_over_no_foreign_file(tmp_path: Path) -> None:
    """Whoever drops files may put a link where our temporary file would stand."""
    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    (tmp_path / "in" / DONE).mkdir(parents=True)
    for name in (f"a.xml{RESULT}.tmp", f"a.xml{RESULT}"):
        (tmp_path / "in" / DONE / name).symlink_to(victim)
    put_away(tmp_path / "in", "a.xml")
    assert victim.read_bytes() == b"precious"
    assert not (tmp_path / "in" / DONE / f"a.xml{RESULT}").is_symlink()


@pytest.mark.parametrize(
    "name", ["n" * 255, "n" * 251 + ".xml", "ü" * 125 + ".xml", "n." + "x" * 253, "name\nline\x1b.xml"]
)
def test_any_name_that_a_file_can_have_can_be_put_away(tmp_path: Path, name: str) -> None:
    """NAME_MAX is 255 bytes on the usual file systems."""
    for _ in range(2):
        put_away(tmp_path, name)
    found = sorted(each.name for each in (tmp_path / DONE).iterdir())
    assert len(found) == 4
    assert sum(each.endswith(RESULT) for each in found) == 2


def test_a_name_that_is_no_text_can_be_put_away(tmp_path: Path) -> None:
    put_away(tmp_path, os.fsdecode(b"na\xefve.xml"))
    assert b"na\xefve.xml" in {os.fsencode(each.name) for each in (tmp_path / DONE).iterdir()}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=80).filter(
            lambda name: name not in {".", ".."} and len(name.encode()) <= 255
        ),
        min_size=1,
        max_size=5,
        unique=True,
    )
)
def test_whatever_names_are_dropped_every_file_ends_up_once(
    tmp_path_factory: pytest.TempPathFactory, dropped: list[str]
) -> None:
    path = tmp_path_factory.mktemp("names")
    meant = [name for name in dropped if name not in {TAKING, DONE, REFUSED}]
    for name in meant:
        (path / name).write_bytes(name.encode())
    with opened(path) as folder:
        for seen in folder.waiting():
            assert folder.take(seen)
            folder.put_away(seen, REFUSED, b"{}")
    left = [each.read_bytes() for each in path.iterdir() if each.is_file()]
    away = [each.read_bytes() for each in (path / REFUSED).iterdir() if not each.name.endswith(RESULT)]
    assert sorted(left + away) == sorted(name.encode() for name in meant)


# ── what keeps us out ──────────────────────────────────────────────────────────────────────────────


def test_one_works_in_a_folder_at_a_time(tmp_path: Path) -> None:
    """flock(2): the lock is the open file's, and goes with it."""
    with opened(tmp_path), pytest.raises(FolderClosed, match="another gateway"), opened(tmp_path):
        pass
    with opened(tmp_path) as folder:
        assert names(folder) == []


@pytest.mark.parametrize("name", [TAKING, DONE, REFUSED])
def test_a_link_in_place_of_one_of_our_folders_is_not_followed(tmp_path: Path, name: str) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / name).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FolderClosed, match=f"its {name} is no folder of its own"), opened(tmp_path / "in"):
        pass


def test_a_file_in_place_of_one_of_our_folders_is_told(tmp_path: Path) -> None:
    (tmp_path / DONE).write_bytes(b"")
    with pytest.raises(FolderClosed, match="its done is no folder"), opened(tmp_path):
        pass


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(FolderClosed, match="No such file"), opened(tmp_path / "absent"):
        pass


@needs_permissions
def test_a_folder_that_may_not_be_used_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    path = tmp_path / "in"
    path.mkdir(mode=0o700)
    path.chmod(0)
    with nobody(), pytest.raises(FolderClosed, match=r"ermission"), opened(path):
        pass


def test_nothing_is_left_open(tmp_path: Path) -> None:
    def handles() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    (tmp_path / "a.xml").write_bytes(b"x")
    before = handles()
    for _ in range(20):
        with opened(tmp_path) as folder:
            folder.waiting()
        with ExitStack() as both:
            both.enter_context(opened(tmp_path))
            with pytest.raises(FolderClosed):
                both.enter_context(opened(tmp_path))
    assert handles() == before
