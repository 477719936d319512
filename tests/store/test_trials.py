"""The figures of a feed against the records themselves: counted by hand, and in `gateway.mapping.capture`'s words.

Outside: the fixtures and what they must become; `capture` is the other account of the same states.
"""

import dataclasses
from collections import Counter
from datetime import timedelta

import pytest

from gateway.mapping.capture import BandState, capture
from gateway.mapping.care_report_versions import combine
from gateway.reading import read_admission, read_reports
from gateway.records import CareReport, Stage, Traffic
from gateway.region import Region
from gateway.store import trials
from gateway.store.database import Database
from gateway.store.trials import Figures
from tests.working import FIXTURES, START, House, cases, edited, feeds, yarrowfen

TRIAL = Traffic.TEST


def on_trial(*names: str) -> Region:
    made = dataclasses.replace(yarrowfen(), feeds=dict(yarrowfen().feeds))
    for name in names:
        made.set_stage(name, Stage.TRIAL)
    return made


def figures(house: House, feed: str, traffic: Traffic = Traffic.LIVE, hours: float = -1) -> Figures:
    since = START + timedelta(hours=hours)
    return house.database.read(lambda tx: trials.figures(tx, feed, traffic=traffic, since=since))


@pytest.fixture
def day(database: Database) -> House:
    house = House(database)
    for name in cases():
        house.play(cases()[name]["files"])
    return house


def test_the_day_is_counted_as_its_records_are(day: House) -> None:
    """Every feed of care reports: each carries the band as `capture` says of all that is known of it by itself."""
    for feed in ("harrow-point-reports", "larkfield-reports", "skerry-reports", "tidewater-reports"):
        files = [name for case in cases().values() for name in case["files"] if feeds()[name] == feed]
        newest: dict[tuple[str, Traffic], CareReport] = {}
        for name in files:
            for read in read_reports(day.region, (FIXTURES / name).read_bytes(), feed=day.region.feeds[feed]):
                key, report = (read.report.key, read.report.traffic), read.report
                newest[key] = combine(newest[key], report) if key in newest else report
        live = [report for (_, traffic), report in newest.items() if traffic is Traffic.LIVE]
        wanted = Counter(capture(report.sightings).state.value for report in live)
        found = figures(day, feed)
        assert {state: number for state, number in found.bands.items() if number} == dict(wanted), feed
        assert found.records == len(live)
        assert found.queryable == wanted[BandState.RECORDED] + wanted[BandState.SEVERAL]
        test = [message for message in day.messages() if (message.feed, message.traffic) == (feed, Traffic.TEST)]
        assert found.messages["kept"] == len(files) - len(test)


def test_nobody_counts_what_another_feed_sent(day: House) -> None:
    assert figures(day, "nobody").records == 0
    assert figures(day, "nobody") == figures(day, "harrow-point-reports", hours=1000)


def test_a_trial_is_counted_apart_and_says_what_it_would_have_met(database: Database) -> None:
    house = House(database, on_trial("harrow-point-reports"))
    house.play(cases()["chest-pain-1"]["files"])
    found = figures(house, "harrow-point-reports", TRIAL)
    assert (found.records, found.queryable, found.elsewhere) == (1, 1, 1)
    assert (found.messages["kept"], found.messages["quarantined"], found.messages["duplicate"]) == (1, 0, 0)
    assert (found.links.linked, found.links.confirmed, found.links.held) == (1, 0, 0)
    assert figures(house, "harrow-point-reports").records == 0
    assert figures(house, "anvil-head-adt").elsewhere == 1, "from the other side"


def test_on_trial_together_records_are_linked_among_themselves(database: Database) -> None:
    house = House(database, on_trial("harrow-point-reports", "anvil-head-adt"))
    house.play(cases()["chest-pain-1"]["files"])
    found = figures(house, "harrow-point-reports", TRIAL)
    assert (found.links.linked, found.links.confirmed, found.elsewhere) == (1, 1, 0)


def test_what_was_refused_and_what_came_twice_is_counted(database: Database) -> None:
    house = House(database, on_trial("anvil-head-adt"))
    message = (FIXTURES / cases()["chest-pain-1"]["files"][1]).read_bytes()
    assert house.admit(message, feed="anvil-head-adt") == "AA"
    assert house.admit(message, feed="anvil-head-adt") == "AA"
    assert house.admit(edited(message, MSH_10=b""), feed="anvil-head-adt") == "AR"
    found = figures(house, "anvil-head-adt", TRIAL)
    assert dict(found.messages) == {"kept": 1, "quarantined": 1, "duplicate": 1}
    assert found.quarantine == 1


@pytest.mark.parametrize(
    ("name", "state"),
    [("wrong-check.hl7", BandState.MALFORMED), ("wrong-check.xml", BandState.MALFORMED)],
)
def test_what_is_no_band_is_told_apart_from_none(database: Database, name: str, state: BandState) -> None:
    house = House(database)
    data = (FIXTURES / "bad" / name).read_bytes()
    feed = "harrow-point-reports"
    if name.endswith(".xml"):
        house.report(data, feed)
    else:
        feed = read_admission(house.region, data).feed.name
        house.admit(data)
    assert {each: number for each, number in figures(house, feed).bands.items() if number} == {state.value: 1}
