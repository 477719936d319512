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
    """Give back the region to read by: the file given, BANDGATE_REGION, ./region.yaml, else the shipped example."""
    named = file or (Path(os.environ["BANDGATE_REGION"]) if os.environ.get("BANDGATE_REGION") else None)
    if named is not None:
        return read_region(named)
    if Path("region.yaml").is_file():
        return read_region(Path("region.yaml"))
    errors.print("[dim]No --region given: reading by the invented example region, Yarrowfen.[/dim]")
    return read_region(shipped("fixtures") / "region.yaml")


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
