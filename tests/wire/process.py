"""The real gateway process for tests: a region file of its own, free ports, and its data folder to look into."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import orjson
from ruamel.yaml import YAML

from gateway.store.database import Database
from gateway.store.transaction import Tx

ROOT = Path(__file__).parent.parent.parent
FIXTURES = ROOT / "fixtures"
START = 60  # seconds a start may take on a busy machine


@dataclass
class Gateway:
    """A gateway that can be started, looked into, killed and started again on the same data."""

    region: Path
    data: Path
    arguments: list[str] = field(default_factory=list)
    doors: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Gateway":
        command = [sys.executable, "-m", "gateway", "serve", "--region", str(self.region), "--data", str(self.data)]
        ports = ["--mllp-port", "0", "--port", "0", *self.arguments]
        with (self.data.parent / "gateway.log").open("ab") as told:
            self.process = subprocess.Popen(
                command + ports,
                cwd=ROOT,
                stdout=subprocess.PIPE,
                stderr=told,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"the gateway did not start: {self.log()[-2000:]}"
        ready = orjson.loads(line)
        assert ready["event"] == "ready"
        self.doors = ready["doors"]
        return self

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Signal the process and wait for its end; gives back its status."""
        assert self.process is not None
        self.process.send_signal(number)
        status = self.process.wait(START)
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.process = None
        return status

    def log(self) -> str:
        return (self.data.parent / "gateway.log").read_text(encoding="utf-8")

    @property
    def mllp(self) -> tuple[str, int]:
        host, port = re.fullmatch(r"mllps?://([^:]+):(\d+)", self.doors["admissions"]).groups()  # type: ignore[union-attr]
        return host, int(port)

    @property
    def web(self) -> str:
        return self.doors["web"].rstrip("/")

    def read(self, work: Callable[[Tx], Any]) -> Any:
        """Look into the store, as another process may."""
        database = Database.open_to_read(f"sqlite:///{self.data / 'gateway.db'}", key_file=self.data / "gateway.key")
        try:
            return database.read(work)
        finally:
            database.close()


def region_file(folder: Path, change: Callable[[dict[str, Any]], None] = lambda _: None) -> Path:
    """Write the invented region into `folder`, after `change`; nobody subscribes unless `change` says so."""
    yaml = YAML(typ="safe")
    region = yaml.load((FIXTURES / "region.yaml").read_text(encoding="utf-8"))
    region["subscriptions"] = []
    change(region)
    path = folder / "region.yaml"
    with path.open("w", encoding="utf-8") as file:
        yaml.dump(region, file)
    mappings = folder / "mappings"
    mappings.mkdir(exist_ok=True)
    for each in (FIXTURES / "mappings").glob("*.yaml"):
        (mappings / each.name).write_text(each.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@contextmanager
def running(
    folder: Path, change: Callable[[dict[str, Any]], None] = lambda _: None, *, arguments: tuple[str, ...] = ()
) -> Iterator[Gateway]:
    """A started gateway on an empty data folder."""
    gateway = Gateway(region_file(folder, change), folder / "data", list(arguments))
    gateway.start()
    try:
        yield gateway
    finally:
        if gateway.process is not None:
            gateway.stop()


def subscription(name: str, organisation: str, endpoint: str, **more: Any) -> dict[str, Any]:
    """One subscription, as region.yaml has it."""
    channel = "fhir-rest-hook" if endpoint.startswith("http") else "hl7v2-mllp"
    return {
        "name": name,
        "organisation": organisation,
        "topic": "records-linked",
        "channel": channel,
        "endpoint": endpoint,
        **more,
    }
