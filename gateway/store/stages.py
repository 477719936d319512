"""Which stage each feed is on, since when, and whose word that was.

`in_file` is what region.yaml said when the row was written: where it says something else later, its line has
been changed since (`gateway.stages`).
"""

from datetime import datetime

from sqlalchemy import bindparam, select

from gateway.records import Record, Stage
from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import FEED_STAGES
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = FEED_STAGES.c
_COLUMNS = (_C.feed, _C.stage, _C.in_file, _C.since, _C.who)
_PUT = Statement(upsert_into(FEED_STAGES, {name: bindparam(name) for name in ("stage", "in_file", "since", "who")}))
_FIND = Statement(select(*_COLUMNS).where(_C.feed == bindparam("feed")))
_ALL = Statement(select(*_COLUMNS).order_by(_C.feed))


class FeedStage(Record, frozen=True, kw_only=True):
    """One feed's stage; `who` said so."""

    feed: str
    stage: Stage
    in_file: Stage
    since: datetime
    who: str


def put(tx: Tx, now: FeedStage) -> None:
    """Keep a feed's stage in place of the one before."""
    tx.run(
        _PUT, feed=now.feed, stage=now.stage.value, in_file=now.in_file.value, since=to_micros(now.since), who=now.who
    )


def find(tx: Tx, feed: str) -> FeedStage | None:
    """Find the stage of a feed; None for one that no gateway has served yet."""
    row = tx.find(_FIND, feed=feed)
    return None if row is None else _stage(row)


def everything(tx: Tx) -> dict[str, FeedStage]:
    """Give back the stage of every feed that was ever served."""
    return {row[0]: _stage(row) for row in tx.rows(_ALL)}


def _stage(row: Row) -> FeedStage:
    feed, stage, in_file, since, who = row
    return FeedStage(feed=feed, stage=Stage(stage), in_file=Stage(in_file), since=from_micros(since), who=who)
