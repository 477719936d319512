"""Fresh traffic: the plain runs of the invented day as often as one likes, each time with other people.

Every run is a care report and the two or three admission messages of one visit, with a patient, a band and
numbers of its own, written by the fixtures' own writer. What belongs to one visit keeps its order.
"""

import sys
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"
sys.path.insert(0, str(FIXTURES))

from yarrowfen.day import Day  # noqa: E402  the writer lies beside what it writes, not on the path
from yarrowfen.ordinary import RUNS, plain_run  # noqa: E402
from yarrowfen.places import AGENCIES  # noqa: E402


@dataclass(frozen=True, slots=True)
class Run:
    """One patient's care report, the feed that sends it, and the admission messages in their order."""

    feed: str
    report: bytes
    admissions: tuple[bytes, ...]


def fresh_runs(number: int) -> list[Run]:
    """Give back so many runs that no other has anything in common with but the places."""
    day = Day()
    rows = ((f"{name}-again-{again}", *rest) for again in count() for name, *rest in RUNS)
    for row in islice(rows, number):
        plain_run(day, row)
    return [_run(day, case["files"]) for case in day.cases]


def _run(day: Day, files: list[str]) -> Run:
    report, *admissions = files
    agency = next(each for each in AGENCIES.values() if report.endswith(f"-{each.id}.xml"))
    return Run(agency.feed, day.files[report], tuple(day.files[each] for each in admissions))
