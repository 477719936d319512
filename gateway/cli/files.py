"""What the reading commands share: which files, which region, which feed."""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from gateway.cli.output import errors
from gateway.documents import suggest
from gateway.errors import UsageFault
from gateway.mapping_folders import shipped
from gateway.region import Feed, Region, read_region

READABLE = {".xml", ".hl7", ".txt", ".er7"}


def find_region(file: Path | None) -> Region:
    """Give back the region to read by: the file given, BANDGATE_REGION, ./region.yaml, else the shipped example.

    Which one it is, is said on standard error unless the file was given.
    """
    if file is not None:
        return read_region(file)
    if named := os.environ.get("BANDGATE_REGION"):
        return _told(read_region(Path(named)), f"{named}, which BANDGATE_REGION names")
    if Path("region.yaml").is_file():
        return _told(read_region(Path("region.yaml")), "region.yaml in this folder")
    example = read_region(shipped("fixtures") / "region.yaml")
    return _told(example, "the invented example; name your own with --region FILE, or set BANDGATE_REGION")


def _told(region: Region, which: str) -> Region:
    errors.print(f"Read by the region {region.name}: {which}.", style="dim", markup=False)
    return region


def find_feed(region: Region, name: str | None) -> Feed | None:
    """Give back the feed called `name`, or None when none is named. Raises `UsageFault` for one there is not."""
    if name is None:
        return None
    if name not in region.feeds:
        raise UsageFault(f"--feed: no such feed: {suggest(name, region.feeds)}")
    return region.feeds[name]


def read_files(paths: Sequence[Path]) -> Iterator[tuple[Path, bytes]]:
    """Give back every file with its bytes; a folder stands for the readable files below it, by name.

    Raises `UsageFault` for a path that cannot be read, or a folder with nothing to read.
    """
    for path in paths:
        if path.is_dir():
            found = sorted(p for p in path.rglob("*") if p.suffix.lower() in READABLE and p.is_file())
            if not found:
                raise UsageFault(f"{path}: no .xml or .hl7 file in this folder")
            for each in found:
                yield each, _read(each)
        else:
            yield path, _read(path)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageFault(f"{path}: cannot be read: {error.strerror}") from error
