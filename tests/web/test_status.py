"""What the status page shows, read from a store filled by hand. The numbers are counted from `yarrowfen.fill`."""

from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial

import pytest

from gateway.adapters.mllp import FrameEnd
from gateway.records import DeliveryState, LinkState, Traffic
from gateway.region import Listener
from gateway.store import messages, quarantine, strangers
from gateway.store.database import Database
from gateway.store.messages import MessageKind, Outcome
from gateway.web.status import LISTED, Status, read_status
from tests.web.yarrowfen import NOW, fill, fill_test, hold_a_delivery, message, region
from tests.working import yarrowfen


def status(database: Database, traffic: Traffic = Traffic.LIVE, now: datetime = NOW) -> Status:
    return database.read(lambda tx: read_status(tx, region(), traffic=traffic, now=now))


@pytest.fixture
def filled(database: Database) -> Database:
    for work in (fill, fill_test, hold_a_delivery):
        database.write(work)
    return database


def test_a_fresh_gateway_has_nothing_to_do(database: Database) -> None:
    for traffic in Traffic:
        seen = status(database, traffic)
        assert not seen.waits
        assert [feed.name for feed in seen.feeds] == list(region().feeds)
        assert [feed.last for feed in seen.feeds] == [None, None, None]
        assert (seen.messages, seen.links, seen.reviews.lines, seen.held.lines, seen.quarantine.lines) == ((),) * 5


def test_feeds_and_their_day(filled: Database) -> None:
    """The region's day began at 05:00 UTC: the visit of 14 hours ago (22:05 -05:00) is of yesterday."""
    reports, admissions, trial = status(filled).feeds
    assert (reports.organisation, reports.kind, reports.stage) == ("Harrow Point Ambulance", "care-reports", "live")
    assert (reports.today, reports.faults, reports.last) == (1, 0, NOW - timedelta(hours=1))
    assert (admissions.today, admissions.faults, admissions.last) == (1, 1, NOW - timedelta(minutes=30))
    assert (trial.today, trial.faults, trial.last) == (0, 0, None)
    assert status(filled).strangers == 1


def test_links_by_state_and_the_newest(filled: Database) -> None:
    seen = status(filled)
    assert seen.link_counts == {LinkState.LINKED: 1, LinkState.HELD: 1, LinkState.WITHDRAWN: 0}
    assert seen.confirmed == 1
    held, linked = seen.links
    assert (held.organisation, held.link.state) == ("Anvil Head Medical Center", LinkState.HELD)
    assert [reason.says for reason in linked.link.reasons] == ["family and given name agree"]


def test_deliveries_by_state_and_the_held_ones(filled: Database) -> None:
    seen = status(filled)
    told, untold = seen.deliveries
    assert (told.subscription, told.organisation) == ("anvil-head-records", "Anvil Head Medical Center")
    assert told.counts[DeliveryState.HELD] == told.counts[DeliveryState.QUEUED] == 1
    assert set(untold.counts.values()) == {0}
    assert [delivery.reason for delivery in seen.held.lines] == ["the subscriber answered 422"]
    assert seen.held.of_all == 1


def test_a_subscription_that_left_the_region_file_still_shows(filled: Database) -> None:
    smaller = region()
    smaller.subscriptions.pop("anvil-head-records")  # type: ignore[attr-defined]
    seen = filled.read(lambda tx: read_status(tx, smaller, traffic=Traffic.LIVE, now=NOW))
    assert [line.subscription for line in seen.deliveries] == ["saint-orla-updates", "anvil-head-records"]
    assert seen.deliveries[1].organisation == "no longer in the region file"


def test_reviews_and_quarantine(filled: Database) -> None:
    seen = status(filled)
    assert [review.says for review in seen.reviews.lines] == ["the sexes recorded differ: which record is right?"]
    (stray,) = seen.quarantine.lines
    assert (stray.code, stray.path, stray.line, stray.feed) == ("hl7-no-trigger", "MSH-9", 1, None)
    assert seen.waits


def test_test_traffic_stands_by_itself(filled: Database) -> None:
    live, test = status(filled), status(filled, Traffic.TEST)
    assert {each.traffic for each in live.messages} == {Traffic.LIVE}
    assert {each.traffic for each in test.messages} == {Traffic.TEST}
    assert {line.link.id for line in live.links} & {line.link.id for line in test.links} == set()
    assert [review.says for review in test.reviews.lines] == ["an exercise question"]
    assert [feed.today for feed in test.feeds] == [0, 0, 1]
    assert (test.deliveries, test.held.of_all, test.quarantine.of_all, test.strangers) == ((), 0, 0, 0)


def test_a_stray_test_message_is_in_the_test_quarantine_alone(database: Database) -> None:
    stray = message("s", None, MessageKind.ADMISSION, NOW, outcome=Outcome.QUARANTINED, traffic=Traffic.TEST)
    database.write(lambda tx: messages.add(tx, stray, b""))
    database.write(lambda tx: quarantine.add(tx, quarantine.Quarantined(message="s", code="c", says="s", at=NOW)))
    assert status(database).quarantine.of_all == 0
    assert status(database, Traffic.TEST).quarantine.of_all == 1


def test_long_lists_are_cut_and_say_so(database: Database) -> None:
    def many(number: int) -> None:
        name, at = f"s{number}", NOW - timedelta(seconds=number)
        stray = message(name, None, MessageKind.ADMISSION, at, outcome=Outcome.QUARANTINED)
        database.write(lambda tx: messages.add(tx, stray, b""))
        database.write(lambda tx: quarantine.add(tx, quarantine.Quarantined(message=name, code="c", says="s", at=at)))

    for number in range(LISTED + 5):
        many(number)
    seen = status(database)
    assert (len(seen.quarantine.lines), seen.quarantine.of_all) == (LISTED, LISTED + 5)
    assert seen.quarantine.lines[0].at == NOW
    assert len(seen.messages) == LISTED
    assert seen.strangers == LISTED + 5


def test_who_knocks_stands_on_the_live_page_alone(database: Database) -> None:
    knock = strangers.Knock("mllp", "192.0.2.7", "NEWREG", "SKH", "unknown-feed")
    for _ in range(3):
        database.write(lambda tx: strangers.note(tx, knock, at=NOW))
    (seen,) = status(database).knocking.lines
    who = seen.stranger
    assert (who.application, who.facility, who.address, who.times) == ("NEWREG", "SKH", "192.0.2.7", 3)
    assert status(database, Traffic.TEST).knocking.of_all == 0


def test_of_who_was_not_let_in_the_feed_is_shown_where_it_is_known(database: Database) -> None:
    """In whose name it sends, or else whose port it is; the region is the invented one, with a listener of a feed."""
    listener = Listener(
        name="anvil", host="127.0.0.1", port=2576, tls=None, feed="anvil-head-tracking", frame_end=FrameEnd.ANY
    )
    served = replace(yarrowfen(), listeners=(listener,))
    for door, application, facility, code in (
        ("mllp", "AHREG", "AHMC", "feed-certificate"),
        (listener.door, "NEWREG", "SKH", "feed-contradiction"),
        ("mllp", "OLDREG", "SKH", "unknown-feed"),
    ):
        knock = strangers.Knock(door, "192.0.2.7", application, facility, code)
        database.write(partial(strangers.note, knock=knock, at=NOW))
    seen = database.read(partial(read_status, region=served, traffic=Traffic.LIVE, now=NOW))
    found = {each.stranger.application: each.feed for each in seen.knocking.lines}
    assert found == {"AHREG": "anvil-head-adt", "NEWREG": "anvil-head-tracking", "OLDREG": None}
