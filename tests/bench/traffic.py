"""Fresh traffic: the plain runs of the invented day as often as one likes, each time with other people.

Every run is a care report and the two or three admission messages of one visit, with a patient, a band and
numbers of its own, written by the fixtures' own writer. What belongs to one visit keeps its order.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).parents[2] / "fixtures"
sys.path.insert(0, str(FIXTURES))

from yarrowfen.day import Day  # noqa: E402  the writer lies beside what it writes, not on the path
from yarrowfen.ordinary import RUNS, plain_run  # noqa: E402
from yarrowfen.places import AGENCIES, DIALECTS, FACILITIES  # noqa: E402

SERIES = 100_000  # numbers of every kind that one series may use up


@dataclass(frozen=True, slots=True)
class Run:
    """One patient's care report, the feed that sends it, and the admission messages in their order."""

    feed: str
    report: bytes
    admissions: tuple[bytes, ...]


def fresh_runs(number: int, *, series: int = 0) -> list[Run]:
    """Give back so many runs that no other has anything in common with but the places, not of another series either."""
    return [run for _, run in islice(fresh_cases(series=series), number)]


def fresh_cases(*, series: int = 0) -> Iterator[tuple[dict[str, Any], Run]]:
    """Give back such runs without end, each with what it must become in the words of `expected.yaml`."""
    day = Day()
    day.counters = dict.fromkeys((*FACILITIES, *AGENCIES, *DIALECTS, "incident"), series * SERIES)
    for again in count(series * SERIES):
        for name, *rest in RUNS:
            plain_run(day, (f"{name}-again-{again}", *rest))
            case = day.cases[-1]
            yield case, _run(day, case["files"])


def _run(day: Day, files: list[str]) -> Run:
    report, *admissions = files
    agency = next(each for each in AGENCIES.values() if report.endswith(f"-{each.id}.xml"))
    return Run(agency.feed, day.files[report], tuple(day.files[each] for each in admissions))
