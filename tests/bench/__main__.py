"""Benchmarks: `python -m tests.bench`, or a part of them, as `python -m tests.bench er7 path`.

Some take many minutes and gigabytes, and only run when they are named. They print and never fail: what they say
depends on the machine, and only the ratios travel.
"""

import argparse
import platform
from collections.abc import Callable, Iterator

from tests.bench import backlog, er7, memory, offered, path, reports, service, stored
from tests.bench.figures import Figure, table

PARTS: dict[str, Callable[[], Iterator[Figure]]] = {
    "er7": er7.measure,
    "reports": reports.measure,
    "path": path.measure,
    "offered": offered.measure,
    "memory": memory.measure,
    "service": service.measure,
}
LONG: dict[str, Callable[[], Iterator[Figure]]] = {"backlog": backlog.measure, "stored": stored.measure}


def main() -> None:
    """Measure what was asked for and print one table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="how fast the gateway is, beside others")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, *LONG, []], help=_help())
    wanted = parser.parse_args().parts or list(PARTS)
    print(f"Python {platform.python_version()}, {platform.machine()}; medians of interleaved turns\n")
    print(table([figure for part in wanted for figure in (PARTS | LONG)[part]()]))


def _help() -> str:
    return f"what to measure; everything if none is named, but not {' and '.join(LONG)}: these take many minutes"


if __name__ == "__main__":
    main()
