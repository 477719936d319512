"""What the status page shows, read from the store in one moment, as frozen values.

Rules: nothing here names a person or a band; live and test traffic never stand on one page; a list says how
many there are when it is cut short. A value is what the page prints: names instead of ids where the region
has them, an id where it no longer does.

Deliveries are live traffic by nature: an episode of test traffic is never told to anybody
(`gateway.routing.entitlement`), so the page of test traffic has none.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from gateway.records import Delivery, DeliveryState, Link, LinkState, Review, ReviewState, Traffic
from gateway.region import Feed, Region
from gateway.store import deliveries, feeds, links, messages, quarantine, reviews, strangers, worklist
from gateway.store.messages import Message
from gateway.store.quarantine import Quarantined
from gateway.store.strangers import Stranger
from gateway.store.transaction import Tx
from gateway.store.worklist import Item
from gateway.web.times import midnight

T = TypeVar("T")
LISTED = 10  # rows of a list: what a tired person still looks through


@dataclass(frozen=True, slots=True)
class Cut(Generic[T]):
    """A list as far as it is shown, and how many there are of all."""

    lines: tuple[T, ...]
    of_all: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedLine:
    """One feed: when it last sent something of this traffic, how many messages today, what its list says to mend."""

    name: str
    organisation: str
    kind: str
    stage: str
    last: datetime | None
    today: int
    faults: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SubscriptionLine:
    """How many deliveries of one subscription are in each state."""

    subscription: str
    organisation: str
    counts: Mapping[DeliveryState, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLine:
    """One decision that holds, with its organisation's name."""

    organisation: str
    link: Link


@dataclass(frozen=True, slots=True, kw_only=True)
class KnockLine:
    """One sender that was not let in; `feed` is the one in whose name it sends, or whose port it is, if any."""

    stranger: Stranger
    feed: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """The whole page.

    `strangers` are today's messages that were not let in as those of a feed, `knocking` who sends such, `work` what
    is to be mended.
    """

    as_of: datetime
    day_began: datetime
    traffic: Traffic
    feeds: tuple[FeedLine, ...]
    strangers: int
    knocking: Cut[KnockLine]
    messages: tuple[Message, ...]
    link_counts: Mapping[LinkState, int]
    confirmed: int
    links: tuple[LinkLine, ...]
    deliveries: tuple[SubscriptionLine, ...]
    held: Cut[Delivery]
    reviews: Cut[Review]
    quarantine: Cut[Quarantined]
    work: Cut[Item]

    @property
    def waits(self) -> bool:
        """Whether anything waits for a person."""
        return bool(self.reviews.of_all or self.held.of_all or self.quarantine.of_all or self.work.of_all)


def read_status(tx: Tx, region: Region, *, traffic: Traffic, now: datetime) -> Status:
    """Give back the status of one kind of traffic; "today" is the day of `now` in the region's time zone."""
    day_began = midnight(now, region.zone)
    today = messages.count_since(tx, traffic=traffic, since=day_began)
    linked = links.count(tx, traffic=traffic)
    told = deliveries.count(tx) if traffic is Traffic.LIVE else {}
    faults = worklist.count_open(tx, traffic=traffic)
    return Status(
        as_of=now,
        day_began=day_began,
        traffic=traffic,
        feeds=_feeds(tx, region, traffic, today, faults),
        strangers=sum(number for feed, number in today.items() if feed not in region.feeds),
        knocking=_knocking(tx, region, traffic),
        messages=tuple(messages.recent_traffic(tx, traffic=traffic, limit=LISTED)),
        link_counts={state: linked.get((state, True), 0) + linked.get((state, False), 0) for state in LinkState},
        confirmed=linked.get((LinkState.LINKED, True), 0),
        links=tuple(
            LinkLine(organisation=_organisation(region, link.organisation), link=link)
            for link in links.recent(tx, traffic=traffic, limit=LISTED)
        ),
        deliveries=_deliveries(region, told) if traffic is Traffic.LIVE else (),
        held=_held(tx, told),
        reviews=Cut(
            tuple(reviews.open_reviews(tx, traffic=traffic, limit=LISTED)),
            reviews.count(tx, traffic=traffic).get(ReviewState.OPEN, 0),
        ),
        quarantine=Cut(
            tuple(quarantine.open_items(tx, traffic=traffic, limit=LISTED)),
            quarantine.count_open(tx, traffic=traffic),
        ),
        work=Cut(
            tuple(worklist.open_items(tx, traffic=traffic, limit=LISTED)),
            sum(faults.values()),
        ),
    )


def _feeds(
    tx: Tx, region: Region, traffic: Traffic, today: Mapping[str | None, int], faults: Mapping[str, int]
) -> tuple[FeedLine, ...]:
    last = {total.feed: total.last_received for total in feeds.totals(tx, traffic=traffic)}

    def line(feed: Feed) -> FeedLine:
        return FeedLine(
            name=feed.name,
            organisation=_organisation(region, feed.organisation),
            kind=feed.kind.value,
            stage=feed.stage,
            last=last.get(feed.name),
            today=today.get(feed.name, 0),
            faults=faults.get(feed.name, 0),
        )

    return tuple(line(feed) for feed in region.feeds.values())


def _knocking(tx: Tx, region: Region, traffic: Traffic) -> Cut[KnockLine]:
    """Whether a stranger would send test traffic, nobody knows: strangers stand on the page of live traffic."""
    if traffic is not Traffic.LIVE:
        return Cut((), 0)
    lines = (KnockLine(stranger=each, feed=_feed_of(region, each)) for each in strangers.newest(tx, limit=LISTED))
    return Cut(tuple(lines), strangers.count(tx))


def _feed_of(region: Region, stranger: Stranger) -> str | None:
    if stranger.gathered:
        return None
    said = region.find_admission_feed(stranger.application, stranger.facility)
    if said is not None:
        return said.name
    return next((each.feed for each in region.listeners if stranger.door == each.door), None)


def _deliveries(region: Region, told: Mapping[tuple[str, DeliveryState], int]) -> tuple[SubscriptionLine, ...]:
    """Every subscription of the region, and those that the store still has deliveries of."""
    names = dict.fromkeys([*region.subscriptions, *(name for name, _ in told)])
    return tuple(
        SubscriptionLine(
            subscription=name,
            organisation=_recipient(region, name),
            counts={state: told.get((name, state), 0) for state in DeliveryState},
        )
        for name in names
    )


def _held(tx: Tx, told: Mapping[tuple[str, DeliveryState], int]) -> Cut[Delivery]:
    of_all = sum(number for (_, state), number in told.items() if state is DeliveryState.HELD)
    lines = deliveries.in_state(tx, DeliveryState.HELD, limit=LISTED) if of_all else []
    return Cut(tuple(lines), of_all)


def _organisation(region: Region, organisation: str) -> str:
    known = region.organisations.get(organisation)
    return known.name if known else organisation


def _recipient(region: Region, subscription: str) -> str:
    known = region.subscriptions.get(subscription)
    return _organisation(region, known.organisation) if known else "no longer in the region file"
