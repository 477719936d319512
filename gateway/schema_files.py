"""Official schema and rule files as an operator hands them over, in a ZIP or a folder: read safely, then recognised.

The rules of this file:

* A file of the standard is XML Schema (`.xsd`) or Schematron (`.sch`). Anything else is left out and named.
* A link, a path that leads elsewhere, an encrypted or an endless file refuses the whole: an archive with one of
  them was not made by those it names.
* What a file is for is read from the file: the data set from its entry point or `@id`, the version from what only
  that version has or from `@schemaVersion`. Of the files around an entry point those are taken that it includes.
"""

import re
import stat
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from enum import StrEnum
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from lxml import etree

from gateway.adapters.report_checks import DataSet
from gateway.adapters.schematron import describe
from gateway.errors import ConfigurationFault, Fault, UsageFault

#: The files of one release of the standard are some 60 of 5 MB together.
MOST_FILES, MOST_BYTES = 5_000, 64_000_000
TAKEN = {".xsd", ".sch"}
_XSD = "{http://www.w3.org/2001/XMLSchema}"
VERSION = re.compile(r"3\.\d\.\d")
_NATIONAL = re.compile(r"3\.\d\.\d\.\d{6}(?:CP\d+)?")
_NAME = re.compile(r"[^A-Za-z0-9]+")

#: What only a version and those after it have in commonTypes_v3.xsd, the newest first (NEMSIS 3.4.0, 3.5.0, 3.5.1:
#: UUIDs came with 3.5.0, international phone numbers with 3.5.1).
MARKS = (
    ("3.5.1", "simpleType[@name='PhoneNumber']", "+"),
    ("3.5.0", "simpleType[@name='UUID']", ""),
    ("3.4.0", "simpleType[@name='PhoneNumber']", ""),
)
COMMON = "commonTypes_v3.xsd"


class Kind(StrEnum):
    """What a registered set of files is."""

    SCHEMA = "schema"  #: XML Schema: the form of a data set
    RULES = "rules"  #: Schematron: what must fit together in it


class SchemaSet(NamedTuple):
    """One schema or rule file with what it needs: `files` by plain name, `entry` the one to begin with."""

    name: str
    kind: Kind
    data_set: DataSet
    version: str
    release: str
    title: str
    entry: str
    files: dict[str, bytes]


class Found(NamedTuple):
    """What stood in a ZIP or a folder: the files of the standard by relative path, and the names of all others."""

    files: dict[str, bytes]
    left_out: tuple[str, ...]


def read_files(source: Path) -> Found:
    """Give back the files of a ZIP or a folder. Raises `UsageFault` with one line."""
    try:
        if source.is_dir():
            return _gather(source, _in_folder(source))
        with zipfile.ZipFile(source) as archive:
            return _gather(source, _in_archive(source, archive))
    except FileNotFoundError as error:
        raise UsageFault(f"{source}: there is no such file: name a ZIP file or a folder") from error
    except (zipfile.BadZipFile, NotImplementedError, EOFError, RuntimeError, zlib.error) as error:
        raise UsageFault(f"{source}: not a readable ZIP file: fetch it again") from error
    except OSError as error:
        raise UsageFault(f"{source}: cannot be read ({error.strerror}): let this user read it") from error


def recognise(source: Path, files: Mapping[str, bytes], version: str | None) -> list[SchemaSet]:
    """Give back the sets that files make up; `version` is taken where a file does not say its own.

    Raises `ConfigurationFault` with everything that is wrong, `UsageFault` where there is nothing of the standard.
    """
    found: list[SchemaSet] = []
    faults: list[Fault] = []
    for path in sorted(files):
        try:
            if path.lower().endswith(".sch"):
                found.append(_rule_set(f"{source}/{path}", files[path], version))
            elif PurePosixPath(path).name in {f"{each}_v3.xsd" for each in DataSet}:
                found.append(_xsd_set(f"{source}/{path}", files, path, version))
        except ConfigurationFault as fault:
            faults += [each if each.file else each._replace(file=f"{source}/{path}") for each in fault.faults]
    names = [each.name for each in found]
    for twice in {name for name in names if names.count(name) > 1}:
        faults.append(Fault(str(source), None, "", f"{twice} is there more than once", "give one release at a time"))
    if faults:
        raise ConfigurationFault(faults)
    if not found:
        entries = " or ".join(f"{each}_v3.xsd" for each in DataSet)
        raise UsageFault(f"{source}: no {entries} and no rule file (.sch) in it: name the official NEMSIS files")
    return found


# ── reading ────────────────────────────────────────────────────────────────────────────────────────


class _Entry(NamedTuple):
    path: str
    data: bytes | None  # None for what is left out


def _gather(source: Path, entries: Iterator[_Entry]) -> Found:
    files: dict[str, bytes] = {}
    left_out: list[str] = []
    size = 0
    for number, (path, data) in enumerate(entries):
        size += len(data or b"")
        if number >= MOST_FILES or size > MOST_BYTES:
            raise UsageFault(f"{source}: more than any release of the standard: give only its schema and rule files")
        if data is None:
            left_out.append(path)
        elif path in files:
            raise UsageFault(f"{source}: {path} is there twice: pack it again")
        else:
            files[path] = data
    return Found(files, tuple(left_out))


def _in_folder(folder: Path) -> Iterator[_Entry]:
    for path in sorted(islice(folder.rglob("*"), MOST_FILES + 1)):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            raise UsageFault(f"{folder}: {name} is a link: give the files themselves")
        if path.is_dir():
            continue
        if not path.is_file():
            raise UsageFault(f"{folder}: {name} is no ordinary file: give the official files only")
        yield _Entry(name, _bounded(folder, path) if path.suffix.lower() in TAKEN else None)


def _bounded(source: Path, path: Path) -> bytes:
    with path.open("rb") as file:
        return _whole(source, file.read(MOST_BYTES + 1))


def _in_archive(source: Path, archive: zipfile.ZipFile) -> Iterator[_Entry]:
    for info in archive.infolist():
        path = PurePosixPath(info.filename)
        if path.is_absolute() or ".." in path.parts or "\\" in info.filename or ":" in info.filename:
            raise UsageFault(f"{source}: a file in it would be written elsewhere: do not use this archive")
        mode = stat.S_IFMT(info.external_attr >> 16)
        if mode and mode not in {stat.S_IFREG, stat.S_IFDIR}:
            raise UsageFault(f"{source}: {path} is a link: pack the files themselves")
        if info.is_dir():
            continue
        if path.suffix.lower() not in TAKEN:
            yield _Entry(str(path), None)
            continue
        with archive.open(info) as file:  # what it really unpacks to, whatever it says of its size
            yield _Entry(str(path), _whole(source, file.read(MOST_BYTES + 1)))


def _whole(source: Path, data: bytes) -> bytes:
    if len(data) > MOST_BYTES:
        raise UsageFault(f"{source}: more than any release of the standard: give only its schema and rule files")
    return data


# ── recognising ────────────────────────────────────────────────────────────────────────────────────


def _rule_set(place: str, data: bytes, version: str | None) -> SchemaSet:
    said = describe(data)
    data_set = next((each for each in DataSet if each == said.id or each in said.title), None)
    if data_set is None:
        raise _fault(place, "rules for no data set we take", f"its id must be {' or '.join(DataSet)}")
    written = VERSION.match(said.version)
    number = written.group() if written else version
    if number is None:
        raise _fault(place, "schemaVersion does not begin with a version such as 3.5.1", "name it with --version")
    if _NATIONAL.fullmatch(said.version):
        part = "national"
    else:
        part = _NAME.sub("-", re.sub(r"^[\d.]+(?:CP\d+)?", "", said.version)).strip("-").lower()[:60] or "state"
    name = f"{data_set}-{number}-rules-{part}"
    return SchemaSet(
        name, Kind.RULES, data_set, number, said.version, said.title, f"{data_set}.sch", {f"{data_set}.sch": data}
    )


def _xsd_set(place: str, files: Mapping[str, bytes], path: str, version: str | None) -> SchemaSet:
    folder, entry = PurePosixPath(path).parent, PurePosixPath(path).name
    taken: dict[str, bytes] = {}
    waiting = [entry]
    while waiting:
        name = waiting.pop()
        if name in taken:
            continue
        data = files.get(str(folder / name))
        if data is None:
            raise _fault(place, f"{name} is not beside it, though it is included", "give all files of the release")
        taken[name] = data
        waiting += _included(place.removesuffix(entry) + name, data)
    data_set = DataSet(entry.removesuffix("_v3.xsd"))
    number = _version_of(taken.get(COMMON)) or version
    if number is None:
        raise _fault(place, "it cannot be told which version this is", "name it with --version")
    return SchemaSet(f"{data_set}-{number}", Kind.SCHEMA, data_set, number, number, "", entry, taken)


def _included(place: str, data: bytes) -> list[str]:
    """Give back the names of the files a schema takes in: those beside it, and never any other place."""
    root = parse_schema(place, data)
    names = []
    for each in root.iter(f"{_XSD}include", f"{_XSD}import", f"{_XSD}redefine"):
        name = each.get("schemaLocation")
        if name is None or name == "http://www.w3.org/2001/xml.xsd":
            continue  # an import without a place is of what the parser knows
        if "/" in name or "\\" in name or ":" in name:
            raise _fault(place, "takes in a file from elsewhere", "official files lie in one folder", each.sourceline)
        names.append(name)
    return names


def parse_schema(place: str, data: bytes) -> etree._Element:
    """Give back the root of an XML Schema file, nothing expanded or fetched. Raises `ConfigurationFault`."""
    parser = etree.XMLParser(resolve_entities=False, load_dtd=False, no_network=True)
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise _fault(place, "not well-formed XML", "fetch it again", error.lineno) from error
    if root.getroottree().docinfo.doctype or root.tag != f"{_XSD}schema":
        raise _fault(place, "not an XML Schema", "fetch it again")
    return root


def _version_of(common: bytes | None) -> str | None:
    """The version by what its shared types have, None without them."""
    if common is None:
        return None
    root = parse_schema(COMMON, common)
    for version, path, mark in MARKS:
        found = root.find(f"{_XSD}{path}")
        if found is not None and mark in "".join(each.get("value", "") for each in found.iter(f"{_XSD}pattern")):
            return version
    return None


def _fault(place: str, message: str, remedy: str, line: int | None = None) -> ConfigurationFault:
    return ConfigurationFault([Fault(place, line, "", message, remedy)])
