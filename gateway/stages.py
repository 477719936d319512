"""Which feeds are on trial and which are live: whose word counts, and how it takes effect.

* The newest word counts: that of `bandgate feed live` or `bandgate feed trial`, or that of region.yaml where its
  line has been changed since. What region.yaml says of a feed is noted when a gateway starts; a line that still
  says what it said then is no new word.
* Each change is one row in place of the one before and one entry of the audit, in one transaction: who, when,
  and from where. A feed that begins live without a trial is noted too.
* A gateway looks for changes while it serves. The stage counts for what is read after that: a message has the
  stage it was read under.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime

from gateway.errors import StoreUnavailable
from gateway.logs import log
from gateway.records import Stage
from gateway.region import Feed, Region
from gateway.store import audit, stages
from gateway.store.database import Database
from gateway.store.stages import FeedStage
from gateway.store.transaction import Tx

LOOK_EVERY = 1.0  # seconds between two looks: a row for each feed is read
REGION_FILE = "region.yaml"  # who says what the region file says


def note_region(tx: Tx, region: Region, *, now: datetime) -> None:
    """Take what a region file says of its feeds, as it was read, where that is a new word."""
    tx.lock("stages")
    known = stages.everything(tx)
    for feed in region.feeds.values():
        before = known.get(feed.name)
        if before is None or before.in_file is not feed.stage:
            _put(tx, feed, feed.stage, before, who=REGION_FILE, now=now)


def move(tx: Tx, feed: Feed, to: Stage, *, who: str, now: datetime) -> FeedStage | None:
    """Put a feed on another stage; None, and nothing is done, where it is on that stage already.

    `feed` is as its region file has it.
    """
    tx.lock("stages")
    before = stages.find(tx, feed.name)
    if stage_of(feed, before) is to:
        return None
    return _put(tx, feed, to, before, who=who, now=now)


def stage_of(feed: Feed, known: FeedStage | None) -> Stage:
    """Give back the stage a feed is on, or will be when the gateway starts next with this region file."""
    return feed.stage if known is None or known.in_file is not feed.stage else known.stage


def find_changes(tx: Tx, region: Region) -> dict[str, Stage]:
    """Find the feeds of a region that is served whose stage is kept as another one."""
    known = stages.everything(tx)
    return {
        name: known[name].stage
        for name, feed in region.feeds.items()
        if name in known and known[name].stage is not feed.stage
    }


async def keep_up(
    region: Region,
    database: Database,
    *,
    tell: Callable[[dict[str, Stage]], object] = lambda _: None,
    every: float = LOOK_EVERY,
) -> None:
    """Take up changes for as long as the gateway serves; a store that does not answer is asked again.

    `tell` gets what has changed, for whoever holds the region too.
    """
    while True:
        try:
            changes = await database.aread(lambda tx: find_changes(tx, region))
        except StoreUnavailable as fault:
            log("store_failed", level="error", error=type(fault.__cause__ or fault).__name__)
        else:
            take_up(region, changes)
            if changes:
                tell(changes)
        await asyncio.sleep(every)


def take_up(region: Region, changes: dict[str, Stage]) -> None:
    """Let feeds have other stages from the next message on."""
    for name, stage in changes.items():
        region.set_stage(name, stage)
        log("stage_changed", feed=name, stage=stage.value)


def note_and_take_up(region: Region, database: Database, clock: Callable[[], datetime]) -> None:
    """Note what the region file says and take up what holds, before the first message is read."""
    database.write(lambda tx: note_region(tx, region, now=clock()))
    take_up(region, database.read(lambda tx: find_changes(tx, region)))


def _put(tx: Tx, feed: Feed, to: Stage, before: FeedStage | None, *, who: str, now: datetime) -> FeedStage:
    after = FeedStage(feed=feed.name, stage=to, in_file=feed.stage, since=now, who=who)
    stages.put(tx, after)
    was = "new" if before is None else f"was {before.stage}"
    audit.append(tx, audit.Entry(at=now, who=who, what=f"feed-{to.value}", records=(feed.name,), why=was))
    return after
