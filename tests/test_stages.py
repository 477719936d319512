"""Stages: whose word counts, that each change is recorded, and that nothing of a trial ever meets what is live.

Outside: the fixtures and what they must become; the rule of the newest word is our own, told in `gateway.stages`.
"""

import asyncio
import dataclasses
from collections.abc import Callable
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.looking_up import look_up
from gateway.records import Stage, Traffic
from gateway.region import Region
from gateway.stages import find_changes, keep_up, move, note_and_take_up, note_region, stage_of
from gateway.store import audit, stages
from gateway.store.database import Database
from gateway.store.stages import FeedStage
from gateway.web.status import read_status
from tests.store.samples import NOW
from tests.working import FIXTURES, START, Clock, House, cases, edited, feeds, yarrowfen

TRIAL, LIVE = Stage.TRIAL, Stage.LIVE
FEED, REPORTS = "anvil-head-adt", "harrow-point-reports"
RUN = cases()["chest-pain-1"]["files"]
BAND = "YFFPD2J2A"


def region(**changed: Stage) -> Region:
    """The invented region, read anew: other feeds are live."""
    made = dataclasses.replace(yarrowfen(), feeds=dict(yarrowfen().feeds))
    for name, stage in changed.items():
        made.set_stage(name.replace("_", "-"), stage)
    return made


def noted(database: Database, made: Region, day: int = 0) -> Stage:
    """Start a gateway with this region file; gives back the stage the feed has then."""
    note_and_take_up(made, database, lambda: NOW + timedelta(days=day))
    return made.feeds[FEED].stage


def moved(database: Database, made: Region, to: Stage, day: int = 0) -> FeedStage | None:
    """The command, with a region file that has just been read."""
    at = NOW + timedelta(days=day)
    return database.write(lambda tx: move(tx, made.feeds[FEED], to, who="system user wren", now=at))


def done(database: Database) -> list[tuple[str, str, tuple[str, ...], str]]:
    """What the audit says of the feed, the oldest first."""
    found = database.read(lambda tx: audit.recent(tx, limit=1000))
    return [(each.who, each.what, each.records, each.why) for each in found[::-1] if FEED in each.records]


# ── whose word counts ──────────────────────────────────────────────────────────────────────────────


def test_the_region_file_says_how_a_feed_begins_and_that_is_recorded(database: Database) -> None:
    assert noted(database, region(anvil_head_adt=TRIAL)) is TRIAL
    assert done(database) == [("region.yaml", "feed-trial", (FEED,), "new")]


def test_a_feed_that_begins_live_without_a_trial_is_recorded_too(database: Database) -> None:
    assert noted(database, region()) is LIVE
    assert done(database) == [("region.yaml", "feed-live", (FEED,), "new")]


def test_the_action_counts_through_later_starts(database: Database) -> None:
    noted(database, region(anvil_head_adt=TRIAL))
    assert moved(database, region(anvil_head_adt=TRIAL), LIVE, 1) is not None
    for day in (2, 3):
        assert noted(database, region(anvil_head_adt=TRIAL), day) is LIVE
    assert done(database)[1:] == [("system user wren", "feed-live", (FEED,), "was trial")]


def test_a_changed_line_of_the_region_file_is_a_newer_word(database: Database) -> None:
    noted(database, region(anvil_head_adt=TRIAL))
    moved(database, region(anvil_head_adt=TRIAL), LIVE, 1)
    assert noted(database, region(), 2) is LIVE, "tidied up: the file says now what holds already"
    moved(database, region(), TRIAL, 3)
    assert noted(database, region(), 4) is TRIAL, "the line is as it was"
    assert noted(database, region(anvil_head_adt=TRIAL), 5) is TRIAL
    assert noted(database, region(), 6) is LIVE, "the line has been changed back since"
    assert [who for who, *_ in done(database)] == [
        "region.yaml",
        "system user wren",
        "region.yaml",
        "system user wren",
        "region.yaml",
        "region.yaml",
    ]


def test_the_action_may_come_between_an_edit_and_the_next_start(database: Database) -> None:
    noted(database, region(anvil_head_adt=TRIAL))
    edited_file = region()
    assert database.read(lambda tx: stage_of(edited_file.feeds[FEED], stages.find(tx, FEED))) is LIVE
    assert moved(database, region(), TRIAL) is not None
    assert noted(database, region()) is TRIAL


def test_the_same_again_is_no_change(database: Database) -> None:
    noted(database, region())
    assert moved(database, region(), LIVE) is None
    assert noted(database, region()) is LIVE
    assert len(done(database)) == 1


def test_a_feed_that_no_gateway_has_served_yet_can_be_put_live(database: Database) -> None:
    assert moved(database, region(anvil_head_adt=TRIAL), LIVE) is not None
    assert noted(database, region(anvil_head_adt=TRIAL)) is LIVE
    assert done(database) == [("system user wren", "feed-live", (FEED,), "new")]


WORDS = st.lists(st.tuples(st.sampled_from(["file", "command"]), st.sampled_from([TRIAL, LIVE])), max_size=12)


@given(WORDS)
def test_the_newest_word_counts(words: list[tuple[str, Stage]]) -> None:
    """Against the rule itself: of the command's words and the changes of the line, the last one holds."""
    line, holds, known = TRIAL, TRIAL, None
    feed = region(anvil_head_adt=TRIAL).feeds[FEED]
    for who, stage in words:
        if who == "command":
            known = FeedStage(feed=FEED, stage=stage, in_file=line, since=NOW, who=who)
            holds = stage
        elif stage is not line:
            line = holds = stage
            known = FeedStage(feed=FEED, stage=stage, in_file=stage, since=NOW, who=who)
        assert stage_of(dataclasses.replace(feed, stage=line), known) is holds


# ── how it takes effect ────────────────────────────────────────────────────────────────────────────


def test_a_gateway_that_runs_takes_a_change_up_and_tells_whoever_holds_the_region_too(
    database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    served, told = region(anvil_head_adt=TRIAL), []
    noted(database, served)
    moved(database, region(anvil_head_adt=TRIAL), LIVE)

    async def until_told() -> None:
        async with asyncio.timeout(20):
            changed: asyncio.Future[dict[str, Stage]] = asyncio.get_running_loop().create_future()
            following = asyncio.create_task(keep_up(served, database, tell=changed.set_result, every=0))
            told.append(await changed)
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)

    asyncio.run(until_told())
    assert told == [{FEED: LIVE}]
    assert served.feeds[FEED].stage is LIVE
    assert not served.feeds[FEED].source.trial
    assert "".join(capsys.readouterr()).count("stage_changed") == 1
    assert database.read(lambda tx: find_changes(tx, served)) == {}


def test_a_store_that_does_not_answer_is_asked_again(database: Database, capsys: pytest.CaptureFixture[str]) -> None:
    database.close()

    async def a_few_rounds() -> None:
        following = asyncio.create_task(keep_up(region(), database, every=0))
        async with asyncio.timeout(20):
            while "".join(written := [*written_so_far(), capsys.readouterr().out]).count("store_failed") < 3:
                kept[:] = written
                await asyncio.sleep(0)
        assert not following.done()
        following.cancel()
        await asyncio.gather(following, return_exceptions=True)

    kept: list[str] = []

    def written_so_far() -> list[str]:
        return kept

    asyncio.run(a_few_rounds())


def test_a_feed_that_left_the_region_file_troubles_nobody(database: Database) -> None:
    noted(database, region())
    smaller = region()
    del smaller.feeds[FEED]
    database.write(lambda tx: note_region(tx, smaller, now=NOW))
    assert database.read(lambda tx: find_changes(tx, smaller)) == {}


# ── nothing of a trial meets what is live ──────────────────────────────────────────────────────────


def play(house: House, files: list[str]) -> None:
    """As `House.play`, each file by its feed of the house's own region."""
    for name in files:
        data, feed = (FIXTURES / name).read_bytes(), feeds()[name]
        if name.endswith(".xml"):
            house.report(data, feed)
        else:
            assert house.admit(data, feed=feed) == "AA"


@pytest.mark.parametrize("on_trial", [(FEED,), (REPORTS,), (FEED, REPORTS)])
def test_what_a_feed_on_trial_sends_goes_to_nobody_and_into_no_figure(
    database: Database, on_trial: tuple[str, ...]
) -> None:
    """The run that, with both feeds live, links a report and a visit and is delivered to the hospital."""
    trial = region(**{name.replace("-", "_"): TRIAL for name in on_trial})
    house = House(database, trial)
    play(house, RUN)
    assert house.queued() == {}, "no delivery to anybody"
    for bands, records in house.found(Traffic.LIVE).episodes.items():
        assert bands == (BAND,)
        assert len(records) == 1, "live records are linked among themselves alone"
    known = database.read(lambda tx: look_up(tx, trial, BAND))
    organisations = {each["organisation"] for each in (known["episode"] or {"records": []})["records"]}
    assert organisations <= {trial.feeds[name].organisation for name in (FEED, REPORTS) if name not in on_trial}
    assert known["known_elsewhere"]
    status = database.read(lambda tx: read_status(tx, trial, traffic=Traffic.LIVE, now=START + timedelta(hours=1)))
    lines = {line.name: line for line in status.feeds}
    assert all((lines[name].today, lines[name].last, lines[name].faults) == (0, None, 0) for name in on_trial)
    assert {each.feed for each in status.messages}.isdisjoint(on_trial)
    assert (status.strangers, status.reviews.of_all, status.quarantine.of_all) == (0, 0, 0)
    assert all(not any(line.counts.values()) for line in status.deliveries)


def test_both_feeds_live_are_linked_and_delivered(database: Database) -> None:
    """The other side of the test above: the same run, by the same path."""
    house = House(database, region())
    play(house, RUN)
    assert house.queued() != {}
    assert len(house.found(Traffic.LIVE).episodes[BAND,]) == 2


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: edited(data, MSH_10=b""),
        lambda data: edited(data, MSH_12=b""),
        lambda data: edited(data, MSH_9=b""),
        lambda data: data.replace(b"\rPID", b"\rP\x01D\x02\xff" * 5, 1) and edited(data, MSH_9=b"^"),
    ],
)
@pytest.mark.parametrize("by_token", [True, False])
def test_what_is_refused_of_a_feed_on_trial_lies_in_the_test_quarantine(
    database: Database, spoil: Callable[[bytes], bytes], *, by_token: bool
) -> None:
    """Over MLLP nothing but MSH-3 and MSH-4 says whose it is; they are read though the rest cannot be."""
    house = House(database, region(anvil_head_adt=TRIAL))
    message = spoil((FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes())
    assert house.admit(message, feed=FEED if by_token else None) == "AR"
    (kept,) = house.messages()
    assert (kept.feed, kept.traffic) == (FEED, Traffic.TEST)
    for traffic, there in ((Traffic.LIVE, 0), (Traffic.TEST, 1)):
        status = database.read(
            lambda tx, traffic=traffic: read_status(  # type: ignore[misc]
                tx, house.region, traffic=traffic, now=START + timedelta(hours=1)
            )
        )
        assert (status.quarantine.of_all, status.strangers) == (there, 0)


def test_a_feed_put_back_on_trial_says_no_more_to_a_live_episode(database: Database) -> None:
    both = region()
    house = House(database, both)
    play(house, RUN)
    before, queued = house.found(Traffic.LIVE), house.queued()
    both.set_stage(FEED, TRIAL)
    later = edited((FIXTURES / RUN[1]).read_bytes(), MSH_10=b"LATER1", PV1_3=b"ED^17^2^AHMC")
    assert house.admit(later, feed=FEED) == "AA"
    assert (house.found(Traffic.LIVE), house.queued()) == (before, queued)
    assert set(house.found(Traffic.TEST).episodes) == {(BAND,)}


def test_the_clock_of_the_start_dates_what_it_notes(database: Database) -> None:
    note_and_take_up(region(), database, Clock(START))
    since = database.read(lambda tx: {each.since for each in stages.everything(tx).values()})
    assert since == {START + timedelta(seconds=1)}
