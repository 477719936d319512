"""The rate of the full path into a store of a million messages, beside the rate into one of a thousand.

The small store is filled through the doors. The large one is the small one a thousand times over: every row of it is
copied within the database, each time with ids, bands, numbers and hashes of its own, so that tables and indexes have
the entries that they would have. Of long values only the beginning is copied: the rest of one lies on pages of its own,
which nobody comes to who does not ask for it. The store is made once and kept under the system's folder for temporary
files (some gigabytes). Only runs when it is named: it takes minutes.
"""

import asyncio
import hashlib
import shutil
import sqlite3
import statistics
import tempfile
from collections.abc import Iterator
from contextlib import closing
from itertools import accumulate
from pathlib import Path

from sqlalchemy import Column, LargeBinary, Table
from sqlalchemy.schema import CreateTable

from gateway.store.tables import METADATA
from tests.bench.backlog import unsettled
from tests.bench.figures import Figure
from tests.bench.serving import post, send, serving, write_queues
from tests.bench.traffic import fresh_runs
from tests.wire.waiting import until

SMALL, LARGE = 1_000, 1_000_000  # messages
RUNS = 1500  # fresh ones, that each turn sends
TURNS = 3
AIM = 0.8  # times the rate of the small store
CACHE = Path(tempfile.gettempdir()) / "bandgate-bench"
SEED = "seed"  # the data folder of the small store before any turn
#: Tables that grow with every message; the rest is counters and settings.
COPIED = (
    "messages", "reports", "report_versions", "visits", "sightings", "episodes", "episode_bands", "links", "reviews",
    "review_records", "events", "deliveries", "audit",
)  # fmt: skip
IDS = frozenset({"id", "message", "report", "record", "episode", "review"})
WRITTEN = frozenset({"band", "key", "control_id"})
HASHES = frozenset({"content_hash", "hash"})
LONGEST = 2000  # bytes of a long value that are copied: about what a row holds itself (sqlite.org/fileformat2.html 1.6)


def measure(large: int = LARGE) -> Iterator[Figure]:
    """Give back the rate into each store, the medians of turns that alternate."""
    small = _small()
    full = _large(small, large)
    rates: dict[Path, list[float]] = {small: [], full: []}
    for _ in range(TURNS):
        for store, measured in rates.items():
            measured.append(_rate(store))
    ours, theirs = (statistics.median(rates[store]) for store in (full, small))
    yield Figure(f"full path, {large:,} messages stored", ours, "messages/s", f"{SMALL:,} stored", theirs, AIM)


def _rate(store: Path) -> float:
    """The rate of fresh messages into a store; it grows by them."""
    runs = fresh_runs(RUNS, series=_next_series(store))
    with tempfile.TemporaryDirectory() as name:
        messages = write_queues(Path(name) / "messages.json", runs)
        with serving(store) as gateway:
            asyncio.run(post(gateway, runs))
            sent = send(*gateway.mllp, messages)
            until(lambda: bool(gateway.read(unsettled) == 0), "the deliveries", limit=600)
    assert sent["codes"].keys() == {"AA"}, sent["codes"]
    rate: float = sent["rate"]
    return rate


def _next_series(store: Path) -> int:
    """A number that this store has not seen, so that nobody comes twice."""
    note = store / "series"
    number = int(note.read_text(encoding="ascii")) + 1 if note.exists() else 1
    note.write_text(str(number), encoding="ascii")
    return number


def _small() -> Path:
    """A store with the messages of some runs and all of their deliveries made, as it was before any turn."""
    store = CACHE / f"{_tables()}-{SMALL}"
    if not (store / SEED).exists():
        shutil.rmtree(store, ignore_errors=True)
        store.mkdir(parents=True)
        _fill(store)
        (store / "data").rename(store / SEED)
    shutil.rmtree(store / "data", ignore_errors=True)
    shutil.copytree(store / SEED, store / "data")
    return store


def _fill(store: Path) -> None:
    runs = fresh_runs(SMALL)
    sizes = accumulate(1 + len(run.admissions) for run in runs)
    runs = [run for run, size in zip(runs, sizes, strict=True) if size <= SMALL]
    messages = write_queues(store / "messages.json", runs)
    with serving(store) as gateway:
        asyncio.run(post(gateway, runs))
        send(*gateway.mllp, messages)
        until(lambda: bool(gateway.read(unsettled) == 0), "the deliveries", limit=600)


def _large(small: Path, number: int) -> Path:
    """The small store so often that it holds `number` messages."""
    store = CACHE / f"{_tables()}-{number}"
    if not (store / "whole").exists():
        shutil.rmtree(store, ignore_errors=True)
        shutil.copytree(small / SEED, store / "data")
        print(f"making a store of {number:,} messages under {store}", flush=True)
        with closing(sqlite3.connect(store / "data" / "gateway.db", isolation_level=None)) as database:
            _multiply(database, small / SEED / "gateway.db", number // SMALL)
        (store / "whole").touch()
    return store


def _multiply(database: sqlite3.Connection, seed: Path, times: int) -> None:
    for setting in ("synchronous = OFF", "foreign_keys = OFF", "cache_size = -524288"):
        database.execute(f"PRAGMA {setting}")
    database.execute("ATTACH ? AS seed", [str(seed)])
    copies = [_copy(METADATA.tables[name]) for name in COPIED]
    for number in range(1, times):
        database.execute("BEGIN")
        for each in copies:
            database.execute(each, {"again": number})
        database.execute("COMMIT")
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _copy(table: Table) -> str:
    """The statement that copies all rows of a table once more; rows that count themselves get a new number."""
    columns = [column for column in table.columns if not (column.name == "row" and column.primary_key)]
    names = ", ".join(f'"{column.name}"' for column in columns)
    values = ", ".join(_value(column) for column in columns)
    return f"INSERT INTO main.{table.name} ({names}) SELECT {values} FROM seed.{table.name} AS one"


def _value(column: "Column[object]") -> str:
    name = f'one."{column.name}"'
    if column.name in IDS:  # the same new time before the same chance: what pointed at a row still does
        return f"printf('%012x', :again) || substr({name}, 13)"
    if column.name in WRITTEN:
        return f"{name} || '.' || :again"
    if column.name in HASHES:
        return "randomblob(32)"
    if isinstance(column.type, LargeBinary):
        return f"substr({name}, 1, {LONGEST})"
    if column.name == "number" and column.table.name in {"events", "deliveries", "audit"}:
        within = "" if column.table.name == "audit" else " WHERE subscription = one.subscription"
        return f"{name} + :again * (SELECT max(number) FROM seed.{column.table.name}{within})"
    return name


def _tables() -> str:
    """A word for the tables as they are: a store that was made with others is of no use."""
    text = "".join(str(CreateTable(table)) for table in METADATA.sorted_tables)
    return hashlib.sha256(text.encode()).hexdigest()[:12]
