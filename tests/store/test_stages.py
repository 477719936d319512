"""The stage of a feed is kept in place of the one before, word for word."""

from datetime import timedelta

from gateway.records import Stage
from gateway.store import stages
from gateway.store.database import Database
from gateway.store.stages import FeedStage
from tests.store.samples import NOW

FIRST = FeedStage(feed="orla-admissions", stage=Stage.TRIAL, in_file=Stage.TRIAL, since=NOW, who="region.yaml")
NEXT = FeedStage(
    feed="orla-admissions",
    stage=Stage.LIVE,
    in_file=Stage.TRIAL,
    since=NOW + timedelta(days=1),
    who="system user wren",
)
OTHER = FeedStage(feed="skerry-reports", stage=Stage.LIVE, in_file=Stage.LIVE, since=NOW, who="region.yaml")


def test_the_newest_is_kept(database: Database) -> None:
    assert database.read(lambda tx: stages.find(tx, "orla-admissions")) is None
    for each in (FIRST, OTHER, NEXT):
        database.write(lambda tx, each=each: stages.put(tx, each))  # type: ignore[misc]
    assert database.read(lambda tx: stages.find(tx, "orla-admissions")) == NEXT
    assert database.read(stages.everything) == {"orla-admissions": NEXT, "skerry-reports": OTHER}
