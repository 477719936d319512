"""Folders of mapping files and code tables, read once: the region's own folder goes before the shipped one."""

from collections.abc import Mapping as MappingType
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.documents import suggest
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import Mapping, complete, read_mapping
from gateway.mapping.tables import CodeTable, read_table


@dataclass(frozen=True, slots=True)
class MappingFolders:
    """Every mapping by name, laid over its bases, and every code table; `faults` are the mistakes found."""

    mappings: MappingType[str, Mapping]
    tables: MappingType[str, CodeTable]
    faults: tuple[Fault, ...]


def shipped(folder: str) -> Path:
    """Give back a folder that comes with the gateway (`mappings` or `fixtures`): a checkout's or a wheel's."""
    inside = Path(__file__).parent / "shipped" / folder
    return inside if inside.is_dir() else Path(__file__).parent.parent / folder


def read_mapping_folders(folders: Sequence[Path]) -> MappingFolders:
    """Give back all mappings of the folders; a file in an earlier folder replaces one of the same name in a later."""
    faults: list[Fault] = []
    tables: dict[str, CodeTable] = {}
    for path in _files(folders, "tables/*.csv"):
        try:
            tables[path.stem] = read_table(path.read_text(encoding="utf-8"), file=str(path))
        except ConfigurationFault as error:
            faults.extend(error.faults)
    own: dict[str, tuple[Path, Mapping]] = {}
    for path in _files(folders, "*.yaml"):
        try:
            own[path.stem] = (path, read_mapping(path.read_text(encoding="utf-8"), file=str(path), tables=tables))
        except ConfigurationFault as error:
            faults.extend(error.faults)
    mappings = {name: _laid_over(name, own, faults, ()) for name in own}
    return MappingFolders(mappings, tables, tuple(faults))


def _files(folders: Sequence[Path], pattern: str) -> list[Path]:
    found: dict[str, Path] = {}
    for folder in reversed(folders):
        found.update({path.stem: path for path in sorted(folder.glob(pattern))})
    return list(found.values())


def _laid_over(
    name: str, own: MappingType[str, tuple[Path, Mapping]], faults: list[Fault], above: tuple[str, ...]
) -> Mapping:
    path, mapping = own[name]
    if mapping.mapping != name:
        faults.append(Fault(str(path), None, "mapping", "not the name of the file", f"write mapping: {name}"))
    if mapping.base is None:
        return mapping
    if mapping.base not in own:
        faults.append(Fault(str(path), None, "base", "no such mapping", suggest(mapping.base, own)))
        return mapping
    if mapping.base in (name, *above):
        faults.append(Fault(str(path), None, "base", "the bases go round in a circle", "take one base out"))
        return mapping
    return complete(mapping, _laid_over(mapping.base, own, faults, (*above, name)))
