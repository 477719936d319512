"""How much memory a file of ten thousand care reports takes while it is read, beyond what the program takes.

A process of its own reads one report and notes the memory it has; then it reads the large file from the disk,
and notes the most it had; the difference counts. Both are what Linux says (proc(5), VmRSS and VmHWM).

    python -m tests.bench.memory FILE       that process
"""

import json
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

from gateway.adapters.report_payload import Limits
from gateway.reading import read_reports
from gateway.region import read_region
from tests.bench.figures import Figure

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
SAMPLE = FIXTURES / "day" / "care-reports" / "chest-pain-1-1-harrow-point.xml"
FEED = "harrow-point-reports"
REPORTS = 10_000
MOST = 150  # MB
MB = 1_000_000


def measure() -> Iterator[Figure]:
    """Give back the extra memory and the rate."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "many.xml"
        _write(path)
        size = path.stat().st_size / MB
        command = [sys.executable, "-m", "tests.bench.memory", str(path)]
        done = json.loads(subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout)
    what = f"one file of {done['reports']:,} care reports ({size:,.0f} MB)"
    yield Figure(f"{what}: extra memory", done["extra"], "MB", bar=MOST, most=True)


def _write(path: Path) -> None:
    """A file with the same report again and again, each time under a UUID of its own."""
    sample = SAMPLE.read_bytes()
    start, end = sample.index(b"<PatientCareReport"), sample.index(b"</Header>")
    report = sample[start:end]
    at = report.index(b'UUID="') + len(b'UUID="')
    with path.open("wb") as file:
        file.write(sample[:start])
        for _ in range(REPORTS):
            file.write(report[:at] + str(uuid.uuid4()).encode() + report[at + 36 :])
        file.write(sample[end:])


def main() -> None:
    """Read the file and print how many reports it holds and how much memory that took."""
    region = read_region(FIXTURES / "region.yaml")
    feed = region.feeds[FEED]
    count = sum(1 for _ in read_reports(region, SAMPLE.read_bytes(), feed=feed))
    before = _memory("VmRSS")
    with Path(sys.argv[1]).open("rb") as file:
        count = sum(1 for _ in read_reports(region, file, feed=feed, limits=Limits(size=1000 * MB)))
    print(json.dumps({"reports": count, "extra": (_memory("VmHWM") - before) / MB}))


def _memory(name: str) -> int:
    """A figure of /proc/self/status, in bytes; it is written in KiB."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{name}:"))


if __name__ == "__main__":
    main()
