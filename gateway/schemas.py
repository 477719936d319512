"""The official NEMSIS schema and rule files: registered in the data folder, read once, refused if they are none.

`DATA/schemas/registered.json` lists the sets; each lies in a folder of its own below `DATA/schemas/sets`, named by
the digest of its content and never changed. A change writes the new folders, then replaces the list in one step: a
gateway that runs sees the old sets or the new ones, all of them, and takes up the new ones with its next submission.
What a crash leaves over is swept by the next change.
"""

import contextlib
import fcntl
import hashlib
import os
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

import msgspec
from lxml import etree

from gateway.adapters.report_checks import DataSet
from gateway.adapters.schematron import to_stylesheet
from gateway.errors import ConfigurationFault, Fault, GatewayFault, UsageFault
from gateway.records import Record
from gateway.rule_orders import Stylesheet
from gateway.schema_files import Kind, SchemaSet

ENTRY = "EMSDataSet_v3.xsd"  # the entry point of the EMS data set in every NEMSIS 3 release
FOLDER = "schemas"  # in the data folder
T = TypeVar("T")

LIST, SETS, LOCK = "registered.json", "sets", "lock"


class Registered(Record, frozen=True, kw_only=True):
    """One set: `release` is the version as the file words it, `entry` the file to begin with, `digest` the folder."""

    name: str
    kind: Kind
    data_set: DataSet
    version: str
    release: str
    title: str = ""
    entry: str
    digest: str

    @property
    def is_national(self) -> bool:
        """Whether these are the national rules, which are run before all others (NEMSIS V3 Schematron guide)."""
        return self.name.endswith("-national")


def load_schema(folder: Path) -> etree.XMLSchema:
    """Give back the schema of the EMS data set in a folder. Raises `UsageFault`."""
    entry = folder / ENTRY
    try:
        if not entry.is_file():
            raise UsageFault(f"{folder}: no {ENTRY} here: name the folder with the NEMSIS XSD files")
        return _schema(entry)
    except (etree.XMLSchemaParseError, etree.XMLSyntaxError) as error:
        raise UsageFault(f"{entry}: not a usable XML Schema") from error
    except OSError as error:
        raise UsageFault(f"{entry}: may not be read: let the user who runs the gateway read it") from error


class Schemas:
    """The sets registered in one data folder. Any thread may ask; what has been read once is kept."""

    def __init__(self, data: Path) -> None:
        self._folder = data / FOLDER
        self._lock = threading.Lock()
        self._seen: object = None
        self._listed: tuple[Registered, ...] = ()
        self._schemas: dict[str, etree.XMLSchema] = {}
        self._stylesheets: dict[str, Stylesheet] = {}

    def registered(self) -> tuple[Registered, ...]:
        """Give back the sets as they are listed now, by name. Raises `GatewayFault`."""
        with self._lock:
            return self._read()

    def find_schema(self, data_set: DataSet, version: str) -> etree.XMLSchema | None:
        """Give back the schema of a data set in a version such as `3.5.1`, None where none is registered."""
        with self._lock:
            for each in self._read():
                if (each.kind, each.data_set, each.version) == (Kind.SCHEMA, data_set, version):
                    if each.digest not in self._schemas:
                        self._schemas[each.digest] = self._load(each, _schema)
                    return self._schemas[each.digest]
        return None

    def rules(self, data_set: DataSet, version: str) -> list[tuple[Registered, Stylesheet]]:
        """Give back the rule files of a data set in a version, the national one first."""
        with self._lock:
            wanted = [
                each
                for each in self._read()
                if (each.kind, each.data_set, each.version) == (Kind.RULES, data_set, version)
            ]
            for each in wanted:
                if each.digest not in self._stylesheets:
                    made = self._load(each, lambda entry: to_stylesheet(entry.read_bytes()))
                    self._stylesheets[each.digest] = Stylesheet.of(made)
            wanted.sort(key=lambda each: (not each.is_national, each.name))
            return [(each, self._stylesheets[each.digest]) for each in wanted]

    def add(self, sets: Sequence[SchemaSet], *, try_rules: Callable[[Stylesheet], None]) -> tuple[Registered, ...]:
        """Register sets, all of them or none; one of the same name is replaced.

        `try_rules` is given each rule file as a stylesheet before anything is registered. Raises `ConfigurationFault`
        for files that are no usable schema or rules, `UsageFault` where the folder cannot be written.
        """
        with self._changing():
            added = tuple(self._keep(each, try_rules) for each in sets)
            names = {each.name for each in added}
            self._write([each for each in self.registered() if each.name not in names] + list(added))
            return added

    def remove(self, name: str) -> Registered:
        """Take a set off the list. Raises `UsageFault` for a name that is not on it."""
        with self._changing():
            listed = self.registered()
            for each in listed:
                if each.name == name:
                    self._write([other for other in listed if other is not each])
                    return each
        known = ", ".join(each.name for each in listed) or "nothing is registered"
        raise UsageFault(f"{name}: no such set: {known}")

    # ── reading ──

    def _read(self) -> tuple[Registered, ...]:
        file = self._folder / LIST
        try:
            status = file.stat()
            seen = (status.st_mtime_ns, status.st_ino, status.st_size)
            if seen != self._seen:
                self._listed, self._seen = msgspec.json.decode(file.read_bytes(), type=tuple[Registered, ...]), seen
                kept = {each.digest for each in self._listed}
                self._schemas = {key: value for key, value in self._schemas.items() if key in kept}
                self._stylesheets = {key: value for key, value in self._stylesheets.items() if key in kept}
        except FileNotFoundError:
            self._listed, self._seen = (), None
        except (OSError, msgspec.DecodeError) as error:
            raise GatewayFault(
                f"{file}: the list of registered schemas cannot be read: remove it and add them anew"
            ) from error
        return self._listed

    def _load(self, each: Registered, load: Callable[[Path], T]) -> T:
        entry = self._folder / SETS / each.digest / each.entry
        try:
            return load(entry)
        except (OSError, etree.LxmlError, ConfigurationFault) as error:
            raise GatewayFault(f"{each.name}: the registered files cannot be read: add them anew") from error

    # ── changing ──

    @contextlib.contextmanager
    def _changing(self) -> Iterator[None]:
        """Let one process change the list at a time, and leave nothing behind that is not on it."""
        try:
            (self._folder / SETS).mkdir(mode=0o700, parents=True, exist_ok=True)
            with (self._folder / LOCK).open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX)
                try:
                    yield
                finally:
                    self._sweep()
        except OSError as error:
            raise UsageFault(
                f"{self._folder}: cannot be written ({error.strerror}): name another with --data"
            ) from error

    def _keep(self, made: SchemaSet, try_rules: Callable[[Stylesheet], None]) -> Registered:
        """Write one set into its folder, and see that it can be used."""
        digest = hashlib.sha256()
        for name, data in sorted(made.files.items()):
            digest.update(f"{name}\0{len(data)}\0".encode() + data)
        folder = self._folder / SETS / digest.hexdigest()
        if not folder.is_dir():
            new = Path(tempfile.mkdtemp(prefix=".new-", dir=self._folder / SETS))
            for name, data in made.files.items():
                _write_through(new / name, data)
            new.rename(folder)
        _try_out(made, folder / made.entry, try_rules)
        return Registered(
            name=made.name,
            kind=made.kind,
            data_set=made.data_set,
            version=made.version,
            release=made.release,
            title=made.title,
            entry=made.entry,
            digest=digest.hexdigest(),
        )

    def _write(self, listed: list[Registered]) -> None:
        """Replace the list in one step."""
        new = self._folder / f".{LIST}.new"
        _write_through(new, msgspec.json.encode(sorted(listed, key=lambda each: each.name)))
        new.replace(self._folder / LIST)
        folder = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _sweep(self) -> None:
        kept = {each.digest for each in self.registered()}
        for folder in (self._folder / SETS).iterdir():
            if folder.name not in kept:
                shutil.rmtree(folder)


def _schema(entry: Path) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(entry), etree.XMLParser(no_network=True)))


def _try_out(made: SchemaSet, entry: Path, try_rules: Callable[[Stylesheet], None]) -> None:
    """Use a set once. Raises `ConfigurationFault`."""
    if made.kind is Kind.RULES:
        try:
            try_rules(Stylesheet.of(to_stylesheet(made.files[made.entry])))
        except ConfigurationFault as fault:
            raise ConfigurationFault([each._replace(file=each.file or made.name) for each in fault.faults]) from fault
        return
    try:
        _schema(entry)
    except (etree.XMLSchemaParseError, etree.XMLSyntaxError) as error:
        unusable = Fault(made.name, None, "", "not a usable XML Schema", "fetch the release again, all its files")
        raise ConfigurationFault([unusable]) from error


def _write_through(file: Path, data: bytes) -> None:
    """Write a file so that it is there after a loss of power."""
    with file.open("wb") as opened:
        opened.write(data)
        opened.flush()
        os.fsync(opened.fileno())
