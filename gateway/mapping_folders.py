"""Folders of mapping files and code tables, read once: the region's own folder goes before the shipped one."""

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Mapping as MappingType
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from gateway.documents import Document, Mistake, find_nearest, read_document
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.layers import laid_over
from gateway.mapping.mistakes import find_mistakes, find_table_faults, meant_kind
from gateway.mapping.rules import Kind, Mapping
from gateway.mapping.tables import CodeTable, read_table
from gateway.text_files import REASONS, read_text

Documents = MappingType[str, Document[Mapping]]


@dataclass(frozen=True, slots=True)
class MappingFolders:
    """Every mapping by name, laid over its bases, and every code table.

    `layers` are what each mapping was laid together from: its own file, its base, the base of that. `faults` are
    the mistakes found; `broken` names the mappings that are there but have mistakes, and `kinds` tells what each
    mapping reads, broken or not. `folders` were looked in.
    """

    mappings: MappingType[str, Mapping]
    tables: MappingType[str, CodeTable]
    faults: tuple[Fault, ...]
    broken: frozenset[str] = frozenset()
    layers: MappingType[str, tuple[Mapping, ...]] = field(default_factory=dict)
    kinds: MappingType[str, Kind | None] = field(default_factory=dict)
    folders: tuple[Path, ...] = ()

    def find_mistake(self, path: tuple[str | int, ...], name: str) -> Mistake | None:
        """Give back what to say at `path`, where a file names a mapping, if there is none of that name."""
        names = {*self.mappings, *self.broken}
        return None if name in names else _no_such_mapping(path, name, names, self.folders)


def shipped(folder: str) -> Path:
    """Give back a folder that comes with the gateway (`mappings` or `fixtures`): a checkout's or a wheel's."""
    inside = Path(__file__).parent / "shipped" / folder
    return inside if inside.is_dir() else Path(__file__).parent.parent / folder


def read_mapping_folders(folders: Sequence[Path]) -> MappingFolders:
    """Give back all mappings of the folders; a file in an earlier folder replaces one of the same name in a later."""
    faults = list(_folder_faults(folders))
    files, table_files = _files(folders, "*.yaml"), _files(folders, "tables/*.csv")
    tables = _read_each(table_files, faults, lambda text, file: read_table(text, file=file))
    known = {name: CodeTable(name, {}) for name in table_files} | tables  # a broken table is told once, not missed
    documents = _read_each(files, faults, lambda text, file: read_document(text, Mapping, file=file))
    sound: dict[str, Mapping] = {}
    for name, document in documents.items():
        mapping = document.content
        mistakes = [*find_mistakes(mapping, known), *_place_mistakes(name, documents, files, folders)]
        wrong = [*document.find_faults(mistakes), *find_table_faults(mapping, known)]
        faults += wrong
        if not wrong:
            sound[name] = mapping
    layers = {name: tuple(_layers(name, sound)) for name in sound}
    return MappingFolders(
        mappings={name: laid_over(each) for name, each in layers.items()},
        tables=tables,
        faults=tuple(dict.fromkeys(faults)),
        broken=frozenset(files) - frozenset(sound),
        layers=layers,
        kinds={name: meant_kind(document.content) for name, document in documents.items()},
        folders=tuple(folders),
    )


T = TypeVar("T")


def _read_each(files: MappingType[str, Path], faults: list[Fault], read: Callable[[str, str], T]) -> dict[str, T]:
    found: dict[str, T] = {}
    for name, path in files.items():
        try:
            found[name] = read(read_text(path), str(path))
        except ConfigurationFault as error:
            faults.extend(error.faults)
    return found


def _files(folders: Sequence[Path], pattern: str) -> dict[str, Path]:
    found: dict[str, Path] = {}
    for folder in reversed(folders):
        found.update({path.stem: path for path in sorted(folder.glob(pattern))})
    return found


def _folder_faults(folders: Sequence[Path]) -> Iterator[Fault]:
    """What a look for files would pass over in silence."""
    for folder in folders:
        if folder.is_dir() and not os.access(folder, os.R_OK | os.X_OK):
            yield Fault(str(folder), None, "", *REASONS[PermissionError])
        for path in sorted(folder.glob("*.yml")):
            yield Fault(str(path), None, "", "not read, because its name ends in .yml", f"call it {path.stem}.yaml")


# ── how mappings stand to each other ───────────────────────────────────────────────────────────────


def _place_mistakes(
    name: str, documents: Documents, files: MappingType[str, Path], folders: Sequence[Path]
) -> Iterator[Mistake]:
    """Whether a mapping has the name of its file, and a base that it can be laid over."""
    mapping = documents[name].content
    if mapping.mapping != name:
        yield Mistake(("mapping",), "not the name of the file", f"write mapping: {name}")
    base = mapping.base
    if base is None:
        return
    if base not in files:
        yield _no_such_mapping(("base",), base, files, folders)
    elif name in _bases(name, documents):
        yield Mistake(("base",), "the bases go round in a circle", "take one base out")
    elif base in documents:
        yield from _kind_mistakes(mapping, documents[base].content)


def _kind_mistakes(mapping: Mapping, base: Mapping) -> Iterator[Mistake]:
    own, other = meant_kind(mapping), meant_kind(base)
    if own and other and own is not other:
        yield Mistake(("base",), f"the base reads {other}, and this mapping {own}", "take a base of the same kind")


def _bases(name: str, documents: Documents) -> list[str]:
    """The names of a mapping's base, the base of that and so on, each once."""
    found: list[str] = []
    base = documents[name].content.base
    while base is not None and base in documents and base not in found:
        found.append(base)
        base = documents[base].content.base
    return found


def _layers(name: str | None, sound: MappingType[str, Mapping]) -> Iterator[Mapping]:
    """A mapping and its bases, as far as they are sound; none of those stands in a circle."""
    while name is not None and name in sound:
        yield sound[name]
        name = sound[name].base


def _no_such_mapping(path: tuple[str | int, ...], name: str, names: Iterable[str], folders: Sequence[Path]) -> Mistake:
    """Say where was looked, and what to do: most often a name is misspelt, or a folder was left behind."""
    looked = [str(each.absolute()) + ("" if each.is_dir() else " (there is no such folder)") for each in folders]
    absent = next((each.absolute() for each in folders if not each.is_dir()), None)
    near = find_nearest(name, names)
    remedies = [f"did you mean {near}?"] if near else []
    if absent is not None:
        remedies.append(f"bring the region's own mappings along to {absent}")
    elif near is None:
        remedies.append("copy or write it there, or name one that bandgate mapping list shows")
    return Mistake(path, f"no mapping {name} in {' or '.join(looked)}", " Or ".join(remedies))
