"""Benchmarks: `python -m tests.bench`, or a part of them, as `python -m tests.bench er7 path`.

They print and never fail: what they say depends on the machine, and only the ratios travel.
"""

import argparse
import platform
from collections.abc import Callable, Iterator

from tests.bench import er7, memory, path, reports
from tests.bench.figures import Figure, table

PARTS: dict[str, Callable[[], Iterator[Figure]]] = {
    "er7": er7.measure,
    "reports": reports.measure,
    "path": path.measure,
    "memory": memory.measure,
}


def main() -> None:
    """Measure what was asked for and print one table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="how fast the gateway is, beside others")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="what to measure; everything if none is named")
    wanted = parser.parse_args().parts or list(PARTS)
    print(f"Python {platform.python_version()}, {platform.machine()}; medians of interleaved turns\n")
    print(table([figure for part in wanted for figure in PARTS[part]()]))


if __name__ == "__main__":
    main()
