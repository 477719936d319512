"""What a region file names on this machine, folders of feeds and certificates of listeners: is it there?

Asked where a region file is checked, and nowhere else. Who only reads what a region says needs none of it, and a
folder on a network that is away for a while must keep no gateway from starting.
"""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from gateway.documents import Mistake
from gateway.region_file import FeedEntry, ListenerEntry, RegionFile
from gateway.yaml_tree import Steps

CERTIFICATE_FILES = ("certificate", "key", "client_issuers")


def find_absent(file: RegionFile, home: Path) -> Iterator[Mistake]:
    """Give back a mistake for each path that leads nowhere; one that does not begin at the root begins at `home`."""
    yield from _folders(file.feeds, home)
    yield from _certificates(file.listeners, home)


def _folders(feeds: Sequence[FeedEntry], home: Path) -> Iterator[Mistake]:
    for index, feed in enumerate(feeds):
        if isinstance(feed.folder, str) and not _is_there((home / feed.folder).is_dir):
            yield _absent(("feeds", index, "folder"), "folder", "make it, and let the gateway's user write in it")


def _certificates(listeners: Sequence[ListenerEntry], home: Path) -> Iterator[Mistake]:
    for index, listener in enumerate(listeners):
        for key in CERTIFICATE_FILES:
            named = getattr(listener.tls, key, None)
            if isinstance(named, str) and not _is_there((home / named).is_file):
                yield _absent(
                    ("listeners", index, "tls", key), "file", "name a PEM file; paths begin at this file's own folder"
                )


def _is_there(look: Callable[[], bool]) -> bool:
    try:
        return look()
    except PermissionError:  # it lies where this user may not look
        return False


def _absent(path: Steps, what: str, remedy: str) -> Mistake:
    return Mistake(path, f"there is no such {what} that this user can see", remedy)
