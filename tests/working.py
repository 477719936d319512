"""The working floor without doors: the invented region, a store, and an intake that works into it.

Time and ids are counted, so a test can say when something happened. What a test asks about is read from the
store as plain values: which records lie under which bands, which questions are open.
"""

import asyncio
import csv
import io
import itertools
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from ruamel.yaml import YAML
from sqlalchemy import delete

from gateway.adapters.er7 import Position, read
from gateway.intake import Intake
from gateway.joining import gather_linked
from gateway.keeping import Keeping, KeptReport
from gateway.records import Review, ReviewState, Traffic
from gateway.region import Region, read_region
from gateway.store import deliveries, episodes, messages, quarantine, reviews, worklist
from gateway.store.database import Database
from gateway.store.messages import Message
from gateway.store.quarantine import Quarantined
from gateway.store.statements import Statement
from gateway.store.tables import EPISODES, KEYS, METADATA, REVIEWS
from gateway.store.transaction import Tx

FIXTURES = Path(__file__).parent.parent / "fixtures"
START = datetime(2026, 3, 15, 8, 0, tzinfo=UTC)  # the morning after the invented day

Case = dict[str, Any]
Links = dict[tuple[str, str, str], tuple[str, bool]]  # kind, organisation, number → state, confirmed


@cache
def yarrowfen() -> Region:
    return read_region(FIXTURES / "region.yaml")


@cache
def cases() -> dict[str, Case]:
    found = YAML(typ="safe").load((FIXTURES / "expected.yaml").read_text(encoding="utf-8"))
    return {case["id"]: case for case in found["cases"]}


@cache
def bad_files() -> dict[str, Case]:
    found = YAML(typ="safe").load((FIXTURES / "expected.yaml").read_text(encoding="utf-8"))
    return {case["file"].partition("/")[2]: case for case in found["bad"]}


@cache
def feeds() -> dict[str, str]:
    """The feed by which each file of the day comes."""
    with (FIXTURES / "day" / "order.csv").open(encoding="utf-8", newline="") as file:
        return {row["file"]: row["feed"] for row in csv.DictReader(file)}


class Episodes(NamedTuple):
    """What lies in the store, ids left out: episodes by their bands, and the questions that are open."""

    episodes: dict[tuple[str, ...], Links]
    reviews: list[str]


class Clock:
    """A clock that a test sets, and that goes on by a second whenever it is looked at."""

    def __init__(self, now: datetime = START) -> None:
        self.now = now

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


class House:
    """An intake with everything it needs, and eyes to look into its store."""

    def __init__(self, database: Database, region: Region | None = None, **changes: Any) -> None:
        self.database, self.region, self.clock = database, region or yarrowfen(), Clock()
        self.woken = 0
        numbers = itertools.count(1)
        new_id = changes.pop("new_id", lambda: f"id{next(numbers):018d}")
        keeping = Keeping(self.region, database, new_id, self._wake)
        self.intake = Intake(**({"region": self.region, "keeping": keeping, "clock": self.clock} | changes))

    def _wake(self) -> None:
        self.woken += 1

    # ── what comes in ──────────────────────────────────────────────────────────────────────────

    def admit(self, data: bytes, *, feed: str | None = None) -> str:
        """Take one admission message; gives back MSA-1, or nothing where nothing was answered."""
        answer = self.answer(data, feed=feed)
        return str(read(answer).value(Position("MSA", 1))) if answer else ""

    def answer(self, data: bytes, *, feed: str | None = None) -> bytes:
        source = self.region.feeds[feed] if feed else None
        return asyncio.run(self.intake.admission(data, door="test", feed=source))

    def report(self, data: bytes, feed: str = "harrow-point-reports") -> list[KeptReport]:
        return asyncio.run(self.intake.care_reports(io.BytesIO(data), self.region.feeds[feed], door="test"))

    def play(self, files: Iterable[str]) -> None:
        """Take files of the invented day, one after the other."""
        for name in files:
            data = (FIXTURES / name).read_bytes()
            if name.endswith(".xml"):
                self.report(data, feeds()[name])
            else:
                assert self.admit(data) == "AA", name

    # ── what is there ──────────────────────────────────────────────────────────────────────────

    def found(self, traffic: Traffic = Traffic.LIVE) -> Episodes:
        return self.database.read(lambda tx: found_in(tx, traffic))

    def reviews(self, question: str, state: ReviewState = ReviewState.OPEN) -> list[Review]:
        everything = self.database.read(_every_review)
        return [each for each in everything if (each.question, each.state) == (question, state)]

    def messages(self) -> list[Message]:
        return self.database.read(lambda tx: messages.recent(tx, limit=1000))[::-1]

    def quarantined(self) -> list[Quarantined]:
        return self.database.read(lambda tx: quarantine.open_items(tx, limit=1000))[::-1]

    def raw(self, message: str) -> bytes:
        return self.database.read(lambda tx: messages.get_raw(tx, message))

    def work_list(self, traffic: Traffic = Traffic.LIVE) -> dict[tuple[str, str], int]:
        """Feed and code of what is on the work lists, and how often it was found."""
        items = self.database.read(lambda tx: worklist.open_items(tx, traffic=traffic))
        return {(each.feed, each.code): each.times for each in items}

    def queued(self) -> dict[str, int]:
        """How many deliveries each subscription has, whatever their state."""
        found: Counter[str] = Counter()
        for (name, _), number in self.database.read(deliveries.count).items():
            found[name] += number
        return dict(found)

    def rows(self) -> dict[str, int]:
        """How many rows each table has, the keys' left out."""
        return self.database.read(lambda tx: {t.name: _count(tx, t) for t in METADATA.sorted_tables if t is not KEYS})

    def empty(self) -> None:
        """Forget everything."""
        tables = [Statement(delete(t)) for t in reversed(METADATA.sorted_tables) if t is not KEYS]
        self.database.write(lambda tx: [tx.run(each) for each in tables])


def expected(case: Case) -> Episodes:
    """What a run must become, in the same form."""
    wanted = case.get("now") or case["becomes"]
    there = {
        tuple(episode["bands"]): {
            (r["kind"], r["organisation"], str(r["id"])): (r["link"], r["confirmed"]) for r in episode["records"]
        }
        for episode in wanted["episodes"]
    }
    return Episodes(there, sorted(wanted["reviews"]))


def edited(data: bytes, **fields: bytes) -> bytes:
    """An admission message with other fields, as `edited(data, PID_8=b"M")`; the first such segment, cut by hand."""
    lines = data.split(b"\r")
    for place, value in fields.items():
        name, _, number = place.partition("_")
        index = next(n for n, line in enumerate(lines) if line.startswith(name.encode() + b"|"))
        parts = lines[index].split(b"|")
        at = int(number) - (1 if name == "MSH" else 0)
        parts += [b""] * (at + 1 - len(parts))
        parts[at] = value
        lines[index] = b"|".join(parts)
    return b"\r".join(lines)


def found_in(tx: Tx, traffic: Traffic) -> Episodes:
    """What lies in a store, of one kind of traffic."""
    there = {}
    for (episode_id,) in tx.rows(Statement(EPISODES.select().with_only_columns(EPISODES.c.id))):
        episode = episodes.get(tx, episode_id)
        if episode.traffic is traffic:
            there[episode.bands] = _links(tx, episode_id)
    questions = [each.question for each in reviews.open_reviews(tx, traffic=traffic, limit=1000)]
    return Episodes(there, sorted(questions))


def _links(tx: Tx, episode: str) -> Links:
    told_reports, told_visits = gather_linked(tx, episode)
    found: Links = {}
    for report in told_reports:
        number = report.report.uuid or report.report.number
        found["care-report", report.report.organisation, number] = (report.link.state.value, report.link.confirmed)
    for visit in told_visits:
        number = visit.visit.key.partition(":")[2]
        found["visit", visit.visit.organisation, number] = (visit.link.state.value, visit.link.confirmed)
    return found


def _every_review(tx: Tx) -> list[Review]:
    ids = tx.rows(Statement(REVIEWS.select().with_only_columns(REVIEWS.c.id).order_by(REVIEWS.c.opened)))
    return [reviews.get(tx, review) for (review,) in ids]


def _count(tx: Tx, table: Any) -> int:
    return len(tx.rows(Statement(table.select())))
