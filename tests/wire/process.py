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
PREPARED = "import sys; from gateway.cli.main import main; sys.stdin.readline() and main()"


@dataclass
class Gateway:
    """A gateway that can be started, looked into, killed and started again on the same data."""

    region: Path
    data: Path
    arguments: list[str] = field(default_factory=list)
    around: list[str] = field(default_factory=list)  #: a command that runs the gateway's own
    doors: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    spare: subprocess.Popen[bytes] | None = None  #: a process that has loaded its program, and waits to be the next

    def start(self) -> "Gateway":
        self.launch()
        return self.wait()

    def launch(self) -> None:
        """Begin to start; what comes next is `wait`, or `stop` for one that shall not get so far."""
        if self.spare is None:
            self.process = self._spawn("-m", "gateway")
            return
        assert self.spare.stdin is not None
        self.spare.stdin.write(b"\n")
        self.spare.stdin.close()
        self.process, self.spare = self.spare, None

    def prepare(self) -> None:
        """Let the next process load its program already, most of what a start takes; it goes on at `launch`."""
        self.spare = self._spawn("-c", PREPARED, stdin=subprocess.PIPE)

    def dismiss(self) -> None:
        """End the process that waits, if there is one: it sees that nobody will tell it to begin."""
        if self.spare is not None:
            self.spare.communicate(timeout=START)
            self.spare = None

    def _spawn(self, *program: str, stdin: int | None = None) -> "subprocess.Popen[bytes]":
        served = ["serve", "--region", str(self.region), "--data", str(self.data)]
        ports = ["--mllp-port", "0", "--port", "0", *self.arguments]
        with (self.data.parent / "gateway.log").open("ab") as told:
            return subprocess.Popen(
                [*self.around, sys.executable, *program, *served, *ports],
                cwd=ROOT,
                stdin=stdin,
                stdout=subprocess.PIPE,
                stderr=told,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )

    def wait(self) -> "Gateway":
        """Wait until the doors are open."""
        assert self.process is not None
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
        gateway.dismiss()
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
