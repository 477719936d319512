"""The watched folder as a door: what is dropped is kept once, whatever stops us, and its result says what became of it.

Outside: the fixtures and what they must become; HL7 v2 2.9.2 for batches; NEMSIS v3 for payloads of many reports. The
database's refusals come from the database itself. Time is an argument: a look happens when a test calls for one.
"""

import asyncio
import dataclasses
import itertools
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.bands.scheme import Scheme
from gateway.doors.folder import TOGETHER, FolderDoor, Settling, folder_doors
from gateway.doors.folder_files import DONE, REFUSED, RESULT, TAKING, Seen, opened
from gateway.records import Stage, Traffic
from gateway.region import Region
from gateway.settings import Settings
from gateway.store.database import Database
from gateway.store.messages import Outcome
from tests.permissions import needs_permissions, nobody
from tests.sabotage import refusing
from tests.store.samples import NOW
from tests.working import FIXTURES, START, Clock, House, cases, edited, yarrowfen

DAY = FIXTURES / "day"
REPORTS, ADMISSIONS = "harrow-point-reports", "anvil-head-adt"
REPORT = (DAY / "care-reports" / "chest-pain-1-1-harrow-point.xml").read_bytes()
A04 = (DAY / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
A08 = (DAY / "admissions" / "chest-pain-1-3-anvil-head-adt-a08.hl7").read_bytes()
BAD = FIXTURES / "bad"


def region(path: Path, **settings: Any) -> Region:
    """The invented region with a folder for a feed of each kind; files are taken at the first look."""
    feeds = {name: dataclasses.replace(yarrowfen().feeds[name], folder=path / name) for name in (REPORTS, ADMISSIONS)}
    for feed in feeds.values():
        assert feed.folder is not None
        feed.folder.mkdir(exist_ok=True)
    values = Settings.model_validate({"folder_settle_seconds": 0} | settings)
    return dataclasses.replace(yarrowfen(), feeds=dict(yarrowfen().feeds) | feeds, settings=values)


class Dropping:
    """A house with watched folders, and what lies in them."""

    def __init__(
        self, database: Database, path: Path, changes: Mapping[str, Any] | None = None, **settings: Any
    ) -> None:
        self.house, self.path = House(database, region(path, **settings), **(changes or {})), path
        self.doors = {door.state.feed: door for door in folder_doors(self.house.region, self.house.intake)}

    def drop(self, name: str, content: bytes, feed: str = REPORTS) -> None:
        (self.path / feed / name).write_bytes(content)

    def look(self, feed: str = REPORTS, times: int = 1) -> FolderDoor:
        for _ in range(times):
            asyncio.run(self.doors[feed].look())
        return self.doors[feed]

    def lying(self, where: str, feed: str = REPORTS) -> list[str]:
        folder = self.path / feed / where
        return sorted(each.name for each in folder.iterdir() if each.is_file() and not each.name.startswith("."))

    def result(self, name: str, where: str = DONE, feed: str = REPORTS) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.path / feed / where / f"{name}{RESULT}").read_bytes())
        return found


@pytest.fixture
def dropping(database: Database, tmp_path: Path) -> Dropping:
    return Dropping(database, tmp_path)


def on_sqlite(path: Path, **changes: Any) -> Dropping:
    """On one of the databases alone, for what has nothing to do with it."""
    folder = path / "store"
    folder.mkdir()
    return Dropping(Database.open(f"sqlite:///{folder}/gateway.db", key_file=folder / "key", now=NOW), path, changes)


@pytest.fixture
def quick(tmp_path: Path) -> Iterator[Dropping]:
    made = on_sqlite(tmp_path)
    yield made
    made.house.database.close()


# ── what is dropped is kept ────────────────────────────────────────────────────────────────────────


def test_an_export_is_kept_and_put_away_with_its_result(dropping: Dropping) -> None:
    dropping.drop("night.xml", REPORT)
    dropping.look()
    assert dropping.lying("") == dropping.lying(TAKING) == []
    assert dropping.lying(DONE) == ["night.xml", f"night.xml{RESULT}"]
    told = dropping.result("night.xml")
    assert (told["outcome"], told["feed"], told["stage"], told["file"]) == ("kept", REPORTS, "live", "night.xml")
    assert [(each["id"], each["outcome"]) for each in told["records"]] == [
        ("4367901b-5c1f-5444-a52b-591a2d31b548", "kept")
    ]
    (message,) = dropping.house.messages()
    assert (message.feed, message.door, message.outcome) == (REPORTS, "folder", Outcome.KEPT)
    assert dropping.house.raw(message.id) == REPORT


def test_a_run_through_folders_becomes_what_it_must(dropping: Dropping) -> None:
    files = cases()["chest-pain-1"]["files"]
    for name in files:
        feed = REPORTS if name.endswith(".xml") else ADMISSIONS
        dropping.drop(Path(name).name, (FIXTURES / name).read_bytes(), feed)
        dropping.look(feed)
    assert set(dropping.house.found().episodes) == {("YFFPD2J2A",)}
    assert len(dropping.house.found().episodes["YFFPD2J2A",]) == 2


@pytest.mark.parametrize("feed", [REPORTS, ADMISSIONS])
def test_a_batch_of_admissions_is_kept_in_its_order(dropping: Dropping, feed: str) -> None:
    """2.9.2; the visit ends as the last message left it."""
    if feed == REPORTS:
        dropping.drop("batch.hl7", A04)
        dropping.look()
        assert dropping.lying(REFUSED) == ["batch.hl7", f"batch.hl7{RESULT}"]
        return
    many = [edited(A08, MSH_10=b"B%03d" % n, PV1_3=b"ED^%d^1^AHMC" % n) for n in range(3 * TOGETHER)]
    dropping.drop("batch.hl7", b"BHS|^~\\&|A|B\r" + A04 + b"".join(many) + b"BTS|25\r", ADMISSIONS)
    dropping.look(ADMISSIONS)
    told = dropping.result("batch.hl7", feed=ADMISSIONS)
    assert [each["id"] for each in told["records"]] == ["AHR000001", *(f"B{n:03d}" for n in range(3 * TOGETHER))]
    assert {each["outcome"] for each in told["records"]} == {"kept"}
    assert [each.control_id for each in dropping.house.messages()] == [each["id"] for each in told["records"]]


def test_a_result_names_places_and_never_values(quick: Dropping) -> None:
    for name in ("wrong-check.xml", "narrative-only.xml"):
        if (BAD / name).exists():
            quick.drop(name, (BAD / name).read_bytes())
    quick.drop("good.xml", REPORT)
    quick.drop("a04.hl7", A04, ADMISSIONS)
    quick.look()
    quick.look(ADMISSIONS)
    written = b"".join(path.read_bytes() for path in quick.path.rglob(f"*{RESULT}"))
    assert written
    for secret in ("Grünbóra", "Orson", "1965", "Beacon Row", "YFFPD2J2A", "YFFPD"):
        assert secret.encode() not in written
    told = quick.result("wrong-check.xml")
    (fault,) = [each for each in told["records"][0]["findings"] if each["code"] == "band-check"]
    assert (fault["level"], bool(fault["path"]), bool(fault["line"]), bool(fault["remedy"])) == ("error",) + (True,) * 3
    assert "1 with something to mend" in told["says"]


def test_no_name_of_a_file_is_logged(quick: Dropping, capsys: pytest.CaptureFixture[str]) -> None:
    quick.drop("GRUENBORA_ORSON.xml", REPORT)
    quick.drop("BAD_ORSON.xml", b"rubbish")
    quick.look()
    written = "".join(capsys.readouterr())
    assert written.count("file_taken") == 2
    assert "ORSON" not in written


# ── what is refused ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "report-xml"),
        (b"Dear colleague", "report-xml"),
        (REPORT[: len(REPORT) // 2], "report-xml"),
        (b"<!DOCTYPE EMSDataSet><EMSDataSet/>", "report-doctype"),
        (b'<EMSDataSet xmlns="http://www.nemsis.org"/>', "report-empty"),
        (b"PK\x03\x04" + bytes(300), "report-xml"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_reason_and_nothing_of_it_is_kept(
    dropping: Dropping, content: bytes, code: str
) -> None:
    dropping.drop("bad.xml", content)
    door = dropping.look()
    told = dropping.result("bad.xml", REFUSED)
    assert (told["outcome"], [each["code"] for each in told["findings"]], told["records"]) == ("refused", [code], [])
    assert told["says"].startswith("Nothing was kept: ")
    assert [each.code for each in dropping.house.quarantined()] == [code]
    assert (door.state.refused, door.state.waiting) == (1, 0)


@pytest.mark.parametrize(("content", "code"), [(b"", "file-empty"), (b"\r\n\r\n", "file-empty"), (REPORT, "no-msh")])
def test_a_file_without_admissions_is_refused(quick: Dropping, content: bytes, code: str) -> None:
    quick.drop("bad.hl7", content, ADMISSIONS)
    quick.look(ADMISSIONS)
    told = quick.result("bad.hl7", REFUSED, ADMISSIONS)
    assert told["outcome"] == "refused"
    assert {each["code"] for each in told["findings"] + [f for r in told["records"] for f in r["findings"]]} == {code}


@pytest.mark.parametrize(
    ("feed", "content", "says"),
    [
        (REPORTS, b"", "Nothing was kept: empty: nothing is in it; export it again."),
        (ADMISSIONS, b"", "Nothing was kept: no admission message in the file; export again."),
        (
            REPORTS,
            A04,
            "Nothing was kept: HL7 v2, where care reports are wanted; send it where a feed of admissions sends.",
        ),
        (
            ADMISSIONS,
            REPORT,
            "Nothing was kept: XML, where HL7 v2 messages are wanted; send it where a feed of care reports sends.",
        ),
    ],
)
def test_what_lies_in_the_wrong_folder_is_told_by_what_it_is(
    quick: Dropping, feed: str, content: bytes, says: str
) -> None:
    quick.drop("lost", content, feed)
    quick.look(feed)
    assert quick.result("lost", REFUSED, feed)["says"] == says


def test_of_a_batch_with_one_bad_message_the_others_are_kept(dropping: Dropping) -> None:
    bad = (BAD / "no-control-id.hl7").read_bytes()
    dropping.drop("mixed.hl7", A04 + bad + A08, ADMISSIONS)
    dropping.look(ADMISSIONS)
    told = dropping.result("mixed.hl7", REFUSED, ADMISSIONS)
    assert told["outcome"] == "partly-kept"
    assert [each["outcome"] for each in told["records"]] == ["kept", "refused", "kept"]
    assert [each.code for each in dropping.house.quarantined()] == ["no-control-id"]
    assert [each.control_id for each in dropping.house.messages() if each.outcome is Outcome.KEPT] == [
        "AHR000001",
        "AHR000002",
    ]


def test_a_message_over_the_limit_ends_a_batch_and_says_so(database: Database, tmp_path: Path) -> None:
    dropping = Dropping(database, tmp_path, mllp_frame_bytes=5000)
    dropping.drop("large.hl7", A04 + A08 + b"NTE|1||" + b"x" * 600_000 + b"\r", ADMISSIONS)
    dropping.look(ADMISSIONS)
    told = dropping.result("large.hl7", REFUSED, ADMISSIONS)
    assert [each["outcome"] for each in told["records"]] == ["kept", "refused"]
    assert told["records"][1]["findings"][0]["code"] == "payload-too-large"


def test_a_file_over_the_limit_is_refused(database: Database, tmp_path: Path) -> None:
    dropping = Dropping(database, tmp_path, folder_file_bytes=10_000)
    dropping.drop("large.xml", REPORT)
    dropping.look()
    assert dropping.result("large.xml", REFUSED)["findings"][0]["code"] == "report-too-large"


def test_a_folder_takes_larger_files_than_the_network_does(database: Database, tmp_path: Path) -> None:
    dropping = Dropping(database, tmp_path, care_report_bytes=10_000)
    dropping.drop("large.xml", REPORT)
    dropping.look()
    assert dropping.result("large.xml")["outcome"] == "kept"


@needs_permissions
def test_a_file_that_may_not_be_read_is_refused_and_says_what_to_do() -> None:
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to anybody else
        quick = on_sqlite(Path(name))
        quick.drop("closed.xml", REPORT)
        for path in (quick.path, *quick.path.rglob("*")):
            path.chmod(0 if path.name == "closed.xml" else 0o777)
        with nobody():
            quick.look()
        told = quick.result("closed.xml", REFUSED)
        quick.house.database.close()
    assert told["findings"][0]["code"] == "file-unreadable"
    assert "Permission denied" in told["says"]


# ── not too early ──────────────────────────────────────────────────────────────────────────────────


def test_a_file_is_taken_when_it_has_not_changed_for_so_long(database: Database, tmp_path: Path) -> None:
    dropping = Dropping(database, tmp_path, folder_settle_seconds=10)
    clock = dropping.house.clock
    dropping.drop("slow.xml", REPORT[:5000])
    dropping.look()
    clock.now += timedelta(seconds=20)
    dropping.drop("slow.xml", REPORT)
    assert dropping.look().state.waiting == 1, "it has grown meanwhile"
    clock.now += timedelta(seconds=5)
    dropping.look()
    assert dropping.lying("") == ["slow.xml"]
    clock.now += timedelta(seconds=5)
    dropping.look()
    assert dropping.result("slow.xml")["outcome"] == "kept"


SEEN = Seen("a", 1, 1, 1)


def test_a_clock_that_is_set_back_costs_only_time() -> None:
    settling = Settling(timedelta(seconds=10))
    assert settling.ripe([SEEN], START) == []
    assert settling.ripe([SEEN], START - timedelta(hours=5)) == []
    assert settling.ripe([SEEN], START - timedelta(hours=5) + timedelta(seconds=10)) == [SEEN]


@given(st.lists(st.tuples(st.integers(0, 8), st.sampled_from([None, 1, 2])), max_size=30))
def test_what_is_ripe_was_seen_the_same_for_so_long(looks: list[tuple[int, int | None]]) -> None:
    """Against a plain account of what was seen when."""
    settling, now, account = Settling(timedelta(seconds=10)), START, []
    for seconds, size in looks:
        now += timedelta(seconds=seconds)
        found = [] if size is None else [SEEN._replace(size=size)]
        account.append((now, found))
        same = [at for at, was in _run_of_same(account)]
        wanted = found if found and now - min(same) >= timedelta(seconds=10) else []
        assert settling.ripe(found, now) == wanted


def _run_of_same(account: list[tuple[Any, list[Seen]]]) -> list[tuple[Any, list[Seen]]]:
    """The end of the account through which the same was seen."""
    last = account[-1][1]
    run = []
    for at, was in reversed(account):
        if was != last:
            break
        run.append((at, was))
    return run


# ── whatever stops us ──────────────────────────────────────────────────────────────────────────────


def test_a_file_that_was_being_taken_when_we_were_killed_is_taken_again_and_counts_once(dropping: Dropping) -> None:
    dropping.drop("night.xml", REPORT)
    with opened(dropping.path / REPORTS) as folder:  # what a killed process leaves: taken, kept, not put away
        assert folder.take(folder.waiting()[0])
    dropping.house.report(REPORT, REPORTS)
    before = {table: rows for table, rows in dropping.house.rows().items() if table not in {"messages", "feed_days"}}
    dropping.look()
    assert dropping.lying(DONE) == ["night.xml", f"night.xml{RESULT}"]
    assert [each["outcome"] for each in dropping.result("night.xml")["records"]] == ["unchanged"]
    after = {table: rows for table, rows in dropping.house.rows().items() if table not in {"messages", "feed_days"}}
    assert after == before


def test_a_batch_that_was_kept_half_is_completed(dropping: Dropping) -> None:
    with opened(dropping.path / ADMISSIONS):
        (dropping.path / ADMISSIONS / TAKING / "batch.hl7").write_bytes(A04 + A08)
    dropping.house.admit(A04, feed=ADMISSIONS)
    dropping.look(ADMISSIONS)
    told = dropping.result("batch.hl7", feed=ADMISSIONS)
    assert [each["outcome"] for each in told["records"]] == ["duplicate", "kept"]


@pytest.mark.parametrize(("feed", "content"), [(REPORTS, REPORT), (ADMISSIONS, A04 + A08)])
def test_while_the_store_refuses_a_file_waits_and_is_taken_when_it_can_be(
    dropping: Dropping, url: str, feed: str, content: bytes
) -> None:
    dropping.drop("night", content, feed)
    with refusing(url, "messages"):
        door = dropping.look(feed, times=3)
        assert dropping.lying(TAKING, feed) == ["night"]
        assert dropping.lying(DONE, feed) == dropping.lying(REFUSED, feed) == []
    dropping.drop("later", content.replace(b"AHR00000", b"AHR10000"), feed)
    dropping.look(feed)
    assert {"night", "later"} <= set(dropping.lying(DONE, feed))
    assert door.state.waiting == 0
    assert len([m for m in dropping.house.messages() if m.outcome is Outcome.KEPT]) >= 1


def test_a_file_of_many_reports_whose_keeping_stops_in_the_middle_is_completed(dropping: Dropping, url: str) -> None:
    """Reports are kept a hundred to a commit: what was kept stays kept, and is known again."""
    dropping.drop("large.xml", many_reports(250))
    with refusing(url, "reports", when="NEW.key LIKE '%0200'"):
        dropping.look()
        kept = dropping.house.rows()["reports"]
        assert 0 < kept < 250
    dropping.look()
    assert dropping.house.rows()["reports"] == 250
    outcomes = [each["outcome"] for each in dropping.result("large.xml")["records"]]
    assert (outcomes.count("unchanged"), outcomes.count("kept")) == (kept, 250 - kept)


def test_a_file_that_cannot_be_put_away_is_not_done_again_but_put_away_when_it_can_be(
    quick: Dropping, capsys: pytest.CaptureFixture[str]
) -> None:
    """A full disk refuses to write the result; so does a folder that stands where it would be written."""
    quick.drop("night.xml", REPORT)
    obstacle = quick.path / REPORTS / DONE / f"night.xml{RESULT}.tmp"
    obstacle.mkdir(parents=True)
    door = quick.look(times=3)
    assert door.state.closed
    assert (quick.lying(TAKING), quick.lying(DONE)) == (["night.xml"], [])
    assert len(quick.house.messages()) == 1
    obstacle.rmdir()
    quick.look()
    assert door.state.closed == ""
    assert quick.result("night.xml")["records"][0]["outcome"] == "kept"
    assert len(quick.house.messages()) == 1, "only the putting away was done again"
    written = "".join(capsys.readouterr())
    assert (written.count("folder_closed"), written.count("folder_open")) == (1, 1)


def test_a_file_still_written_to_after_it_was_taken_is_taken_again(tmp_path: Path) -> None:
    """The sender writes on at the moment when the clock is asked when the file was taken."""
    taken = tmp_path / REPORTS / TAKING / "night.xml"
    clock = Clock()

    def writing_on() -> datetime:
        if taken.exists() and taken.stat().st_size < len(REPORT):
            taken.write_bytes(REPORT)
        return clock()

    quick = on_sqlite(tmp_path, clock=writing_on)
    quick.drop("night.xml", REPORT[:9000])
    quick.look()
    assert quick.lying(TAKING) == ["night.xml"]
    quick.look()
    assert quick.result("night.xml")["outcome"] == "kept"


def test_one_file_that_a_mistake_of_ours_cannot_take_does_not_keep_the_others_waiting(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    numbers = itertools.count()

    def broken_once() -> str:
        number = next(numbers)
        if number == 0:
            raise KeyError("Grünbóra")
        return f"id{number}"

    quick = on_sqlite(tmp_path, new_id=broken_once)
    quick.drop("a.xml", REPORT)
    os.utime(quick.path / REPORTS / "a.xml", (1, 1))
    quick.drop("b.xml", (DAY / "care-reports" / "asthma-2-1-harrow-point.xml").read_bytes())
    door = quick.look(times=3)
    assert quick.lying(DONE) == ["b.xml", f"b.xml{RESULT}"]
    assert quick.lying(TAKING) == ["a.xml"]
    assert door.state.stuck == 1
    written = "".join(capsys.readouterr())
    assert written.count("request_failed") == 1
    assert "Grünbóra" not in written
    quick.doors[REPORTS] = FolderDoor(REPORTS, quick.path / REPORTS, quick.house.intake)  # the next start
    quick.look()
    assert quick.result("a.xml")["outcome"] == "kept"


def test_a_folder_that_is_missing_is_told_once_and_looked_for_again(
    quick: Dropping, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = quick.path / REPORTS
    folder.rmdir()
    door = quick.look(times=3)
    assert "No such file" in door.state.closed
    (line,) = (each for each in "".join(capsys.readouterr()).splitlines() if "folder_closed" in each)
    assert all(told in line for told in (REPORTS, str(folder), "No such file or directory"))
    folder.mkdir()
    quick.drop("night.xml", REPORT)
    quick.look()
    assert door.state.closed == ""
    assert quick.result("night.xml")["outcome"] == "kept"


def test_two_gateways_at_one_folder_take_each_file_once(quick: Dropping) -> None:
    other = FolderDoor(REPORTS, quick.path / REPORTS, quick.house.intake)
    for number in range(5):
        quick.drop(f"{number}.hl7", b"rubbish %d" % number)

    async def both() -> None:
        await asyncio.gather(*(door.look() for door in (other, quick.doors[REPORTS])))

    asyncio.run(both())
    quick.look()
    assert len(quick.house.quarantined()) == 5
    assert len(quick.lying(REFUSED)) == 10


# ── stages ─────────────────────────────────────────────────────────────────────────────────────────


def test_the_stage_is_that_of_the_moment(quick: Dropping) -> None:
    """What was sent on trial comes for the first time when the feed is live."""
    quick.house.region.set_stage(REPORTS, Stage.TRIAL)
    quick.drop("night.xml", REPORT)
    quick.look()
    assert quick.result("night.xml")["stage"] == "trial"
    assert "on trial: none of it counts" in quick.result("night.xml")["says"]
    assert quick.house.found(Traffic.LIVE).episodes == {}
    quick.house.region.set_stage(REPORTS, Stage.LIVE)
    quick.drop("night.xml", REPORT)
    quick.look()
    assert quick.result("night.2.xml")["records"][0]["outcome"] == "kept"
    assert set(quick.house.found(Traffic.LIVE).episodes) == {("YFFPD2J2A",)}


# ── size ───────────────────────────────────────────────────────────────────────────────────────────

_REPORT = re.compile(rb"<PatientCareReport .*?</PatientCareReport>", re.DOTALL)
_UUID = b"4367901b-5c1f-5444-a52b-591a2d31b548"


def many_reports(number: int) -> bytes:
    """One payload with so many reports, each with a UUID and a band of its own."""
    found, scheme = _REPORT.search(REPORT), yarrowfen().schemes[0]
    assert found is not None
    stems = (f"YFA{n:04d}" for n in range(number))
    copies = (
        found[0].replace(_UUID, _UUID[:-12] + b"%012d" % n).replace(b"YFFPD2J2A", _band(scheme, stem))
        for n, stem in enumerate(stems)
    )
    return REPORT[: found.start()] + b"\n".join(copies) + REPORT[found.end() :]


def _band(scheme: Scheme, stem: str) -> bytes:
    return (stem + scheme.check_characters(stem)).encode()


def test_the_door_looks_again_and_again_until_it_is_stopped(database: Database, tmp_path: Path) -> None:
    dropping = Dropping(database, tmp_path, folder_scan_seconds=0.01)
    door = dropping.doors[REPORTS]

    async def run_until(there: Callable[[], bool]) -> None:
        task = asyncio.create_task(door.run())
        async with asyncio.timeout(20):
            while not there():
                await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(run_until(lambda: door.state.looked is not None))
    dropping.drop("night.xml", REPORT)
    asyncio.run(run_until(lambda: door.state.taken is not None))
    assert dropping.result("night.xml")["outcome"] == "kept"
