"""`bandgate feed`: the feeds as they are, and going live as one recorded action that shows what the trial found.

Outside: the fixtures and what they must become; the operating system's own word for who runs the tests.
"""

import asyncio
import contextlib
import io
import os
import pwd
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from ruamel.yaml import YAML

from gateway.clock import clock, new_id
from gateway.intake import Intake
from gateway.keeping import Keeping
from gateway.region import Region, read_region
from gateway.stages import note_and_take_up
from gateway.store import audit, stages
from gateway.store.database import Database
from tests.cli.conftest import FIXTURES, REGION, Bandgate
from tests.cli.people import secrets_of
from tests.fixtures.committed import order

FEED = "harrow-point-reports"
FEEDS = {row["file"]: row["feed"] for row in order()}
REPORTS = [name for name, feed in FEEDS.items() if feed == FEED][:6]
FIGURES = jsonschema_rs.Draft202012Validator(
    {
        "type": "object",
        "required": ["feed", "before", "stage", "changed", "since", "by", "found"],
        "properties": {
            "stage": {"enum": ["trial", "live"]},
            "changed": {"type": "boolean"},
            "found": {
                "type": "object",
                "required": ["messages", "records", "queryable", "bands", "links", "findings", "faults_open"],
                "properties": {
                    "findings": {
                        "type": "array",
                        "items": {"type": "object", "required": ["code", "level", "says", "times"]},
                    }
                },
            },
        },
    }
)


class Served:
    """A data folder on which a gateway was started with this region file and has taken some reports."""

    def __init__(self, folder: Path, stage: str) -> None:
        self.file, self.data = folder / "region.yaml", folder / "data"
        self.write(stage)
        self.start()

    def write(self, stage: str) -> None:
        yaml = YAML(typ="safe")
        region = yaml.load(REGION.read_text(encoding="utf-8"))
        next(each for each in region["feeds"] if each["name"] == FEED)["stage"] = stage
        with self.file.open("w", encoding="utf-8") as file:
            yaml.dump(region, file)
        if not (self.file.parent / "mappings").exists():
            (self.file.parent / "mappings").symlink_to(REGION.parent / "mappings")

    def start(self) -> None:
        self.data.mkdir(exist_ok=True)
        (self.data / "region").write_text(str(self.file))
        self.within(lambda database, region: note_and_take_up(region, database, clock))

    def send(self, files: list[str]) -> None:
        def take(database: Database, region: Region) -> None:
            note_and_take_up(region, database, clock)
            intake = Intake(region, Keeping(region, database, new_id), clock)
            for name in files:
                data = (FIXTURES / name).read_bytes()
                if name.endswith(".xml"):
                    asyncio.run(intake.care_reports(io.BytesIO(data), region.feeds[FEEDS[name]], door="test"))
                else:
                    asyncio.run(intake.admission(data, door="test", feed=region.feeds[FEEDS[name]]))

        with contextlib.redirect_stdout(io.StringIO()):  # the log, which no command has set up
            self.within(take)

    def within(self, work: Callable[[Database, Region], Any]) -> Any:
        url = f"sqlite:///{self.data / 'gateway.db'}"
        with Database.open(url, key_file=self.data / "gateway.key", now=datetime.now(UTC)) as database:
            return work(database, read_region(self.file))

    def stage(self) -> str:
        found = self.within(lambda database, _: database.read(lambda tx: stages.find(tx, FEED)))
        return str(found.stage)

    def audit(self) -> list[audit.Entry]:
        found = self.within(lambda database, _: database.read(lambda tx: audit.recent(tx, limit=1000)))
        return [each for each in found if FEED in each.records]


@pytest.fixture
def served(tmp_path: Path) -> Served:
    made = Served(tmp_path, "trial")
    made.send(REPORTS)
    return made


def test_going_live_shows_what_the_trial_found_and_is_recorded_with_who_and_when(
    bandgate: Bandgate, served: Served
) -> None:
    before = datetime.now(UTC)
    said = bandgate("feed", "live", FEED, "--region", served.file, "--data", served.data, "--yes")
    assert said.status == 0
    assert f"{FEED}: on trial since" in said.out
    assert f"messages            {len(REPORTS)} ({len(REPORTS)} kept, 0 quarantined, 0 duplicate)" in said.out
    assert f"records             {len(REPORTS)}, {len(REPORTS)} with the band in a queryable field" in said.out
    assert said.out.endswith(f"{FEED} is live.\n")
    assert served.stage() == "live"
    newest = served.audit()[0]
    assert (newest.what, newest.records, newest.why) == ("feed-live", (FEED,), "was trial")
    assert newest.who == f"system user {pwd.getpwuid(os.getuid()).pw_name}"
    assert before <= newest.at <= datetime.now(UTC)


def test_what_was_sent_on_trial_stays_apart_and_what_comes_now_counts(bandgate: Bandgate, served: Served) -> None:
    """Also through the next start with the same file."""
    assert bandgate("feed", "live", FEED, "--data", served.data, "--yes").status == 0
    served.start()
    served.send(REPORTS[:2])
    (line,) = [
        each
        for each in bandgate("feed", "list", "--data", served.data, "--json").document["feeds"]
        if each["feed"] == FEED
    ]
    assert (line["stage"], line["records"], line["queryable"]) == ("live", 2, 2)


def test_json_says_the_same(bandgate: Bandgate, served: Served) -> None:
    said = bandgate("feed", "live", FEED, "--data", served.data, "--yes", "--json")
    FIGURES.validate(said.document)
    assert (said.document["before"], said.document["stage"], said.document["changed"]) == ("trial", "live", True)
    found = said.document["found"]
    assert (found["messages"]["kept"], found["records"], found["queryable"]) == (len(REPORTS),) * 3
    assert sum(found["bands"].values()) == len(REPORTS)


def test_without_yes_and_with_nobody_to_ask_nothing_is_changed(bandgate: Bandgate, served: Served) -> None:
    said = bandgate("feed", "live", FEED, "--data", served.data)
    assert said.status == 2
    assert said.faults == [f"{FEED}: nothing was changed: say --yes to put it live"]
    assert "records             " in said.out, "what the trial found is shown all the same"
    assert served.stage() == "trial"
    assert [each.what for each in served.audit()] == ["feed-trial"]


def test_a_feed_that_is_live_already_is_said_to_be(bandgate: Bandgate, served: Served) -> None:
    bandgate("feed", "live", FEED, "--data", served.data, "--yes")
    again = bandgate("feed", "live", FEED, "--data", served.data, "--yes")
    assert again.status == 0
    assert "was live already: nothing was changed" in again.out
    assert [each.what for each in served.audit()] == ["feed-live", "feed-trial"]


def test_and_back_on_trial(bandgate: Bandgate, served: Served) -> None:
    bandgate("feed", "live", FEED, "--data", served.data, "--yes")
    said = bandgate("feed", "trial", FEED, "--data", served.data, "--yes")
    assert (said.status, served.stage()) == (0, "trial")
    assert said.out.endswith(f"{FEED} is on trial.\n")
    assert "would have met" not in said.out
    assert [each.what for each in served.audit()] == ["feed-trial", "feed-live", "feed-trial"]


def test_a_feed_that_region_yaml_puts_live_is_live(bandgate: Bandgate, tmp_path: Path) -> None:
    served = Served(tmp_path, "live")
    said = bandgate("feed", "live", FEED, "--data", served.data)
    assert (said.status, "was live already" in said.out) == (0, True)
    assert [(each.who, each.what) for each in served.audit()] == [("region.yaml", "feed-live")]


def test_faults_are_counted_by_code_and_no_value_is_shown(bandgate: Bandgate, served: Served) -> None:
    bad = "bad/wrong-check.xml"
    FEEDS[bad] = FEED
    served.send([bad, bad])
    said = bandgate("feed", "live", FEED, "--data", served.data)
    assert "× error band-check" in said.out
    told = bandgate("feed", "live", FEED, "--data", served.data, "--yes", "--json").document["found"]
    (check,) = [each for each in told["findings"] if each["code"] == "band-check"]
    assert (check["level"], check["times"]) == ("error", 1)
    assert told["faults_open"] >= 1
    for name in REPORTS:
        for secret in secrets_of((FIXTURES / name).read_bytes()):
            assert secret not in said.out


def test_the_list_shows_stage_last_message_and_share(bandgate: Bandgate, served: Served) -> None:
    said = bandgate("feed", "list", "--data", served.data)
    assert said.status == 0
    lines = {line.split()[0]: line for line in said.out.splitlines()}
    assert set(lines) == set(read_region(served.file).feeds)
    assert " trial " in lines[FEED]
    assert f"{len(REPORTS)} of {len(REPORTS)} records with the band" in lines[FEED]
    assert "silent" in lines["skerry-reports"]
    assert "0 of 0 records" in lines["skerry-reports"]


@pytest.mark.parametrize("command", [("live", FEED), ("trial", FEED), ("list",)])
def test_where_no_gateway_has_been_started_nothing_is_made(
    bandgate: Bandgate, tmp_path: Path, command: tuple[str, ...]
) -> None:
    said = bandgate("feed", *command, "--region", REGION, "--data", tmp_path)
    assert said.status == 2
    assert "no gateway.db here" in said.faults[0]
    assert list(tmp_path.iterdir()) == []


def test_a_misspelt_feed_is_told_with_what_was_meant(bandgate: Bandgate, served: Served) -> None:
    said = bandgate("feed", "live", "harrow-point-report", "--data", served.data, "--yes")
    assert said.status == 2
    assert f"did you mean {FEED}" in said.faults[0]


def test_the_database_is_written_beside_a_gateway_that_runs(bandgate: Bandgate, served: Served) -> None:
    """SQLite, WAL: another process may write between two transactions of the gateway's."""
    url = f"sqlite:///{served.data / 'gateway.db'}"
    with Database.open(url, key_file=served.data / "gateway.key", now=datetime.now(UTC)) as running:
        assert bandgate("feed", "live", FEED, "--data", served.data, "--yes").status == 0
        found = running.read(lambda tx: stages.find(tx, FEED))
        assert found is not None
        assert str(found.stage) == "live"
        running.write(lambda tx: audit.append(tx, audit.Entry(at=datetime.now(UTC), who="x", what="y")))
        assert running.read(audit.verify).broken_at is None
