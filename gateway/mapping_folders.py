"""Folders of mapping files and code tables, read once: the region's own folder goes before the shipped one."""

from collections.abc import Callable, Sequence
from collections.abc import Mapping as MappingType
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TypeVar

from gateway.documents import line_of, parse_yaml, suggest
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import Mapping, complete, read_mapping
from gateway.mapping.tables import CodeTable, read_table


@dataclass(frozen=True, slots=True)
class MappingFolders:
    """Every mapping by name, laid over its bases, and every code table.

    `faults` are the mistakes found; `broken` names the mappings that are there but could not be read.
    """

    mappings: MappingType[str, Mapping]
    tables: MappingType[str, CodeTable]
    faults: tuple[Fault, ...]
    broken: frozenset[str] = frozenset()


def shipped(folder: str) -> Path:
    """Give back a folder that comes with the gateway (`mappings` or `fixtures`): a checkout's or a wheel's."""
    inside = Path(__file__).parent / "shipped" / folder
    return inside if inside.is_dir() else Path(__file__).parent.parent / folder


def read_mapping_folders(folders: Sequence[Path]) -> MappingFolders:
    """Give back all mappings of the folders; a file in an earlier folder replaces one of the same name in a later."""
    faults: list[Fault] = []
    tables = _read_each(_files(folders, "tables/*.csv"), faults, lambda text, file: read_table(text, file=file))
    files = _files(folders, "*.yaml")
    own = _read_each(files, faults, lambda text, file: _Own(text, file, read_mapping(text, file=file, tables=tables)))
    mappings = {name: _laid_over(name, own, files, faults, ()) for name in own}
    return MappingFolders(mappings, tables, tuple(dict.fromkeys(faults)), frozenset(files) - frozenset(own))


class _Own(NamedTuple):
    """A mapping as its own file says it."""

    text: str
    file: str
    mapping: Mapping

    def fault(self, key: str, message: str, remedy: str) -> Fault:
        line = line_of(parse_yaml(self.text, file=self.file), [key])
        return Fault(self.file, line, key, message, remedy)


T = TypeVar("T")


def _read_each(files: MappingType[str, Path], faults: list[Fault], read: Callable[[str, str], T]) -> dict[str, T]:
    found: dict[str, T] = {}
    for name, path in files.items():
        try:
            found[name] = read(path.read_text(encoding="utf-8"), str(path))
        except ConfigurationFault as error:
            faults.extend(error.faults)
        except (OSError, UnicodeDecodeError) as error:
            faults.append(
                Fault(str(path), None, "", f"cannot be read: {type(error).__name__}", "save it as UTF-8 text")
            )
    return found


def _files(folders: Sequence[Path], pattern: str) -> dict[str, Path]:
    found: dict[str, Path] = {}
    for folder in reversed(folders):
        found.update({path.stem: path for path in sorted(folder.glob(pattern))})
    return found


def _laid_over(
    name: str, own: MappingType[str, _Own], files: MappingType[str, Path], faults: list[Fault], above: tuple[str, ...]
) -> Mapping:
    written = own[name]
    base = written.mapping.base
    if written.mapping.mapping != name:
        faults.append(written.fault("mapping", "not the name of the file", f"write mapping: {name}"))
    if base in (name, *above):
        faults.append(written.fault("base", "the bases go round in a circle", "take one base out"))
    elif base is not None and base not in files:
        faults.append(written.fault("base", "no such mapping", suggest(base, own)))
    elif base is not None and base in own:
        return complete(written.mapping, _laid_over(base, own, files, faults, (*above, name)))
    return written.mapping
