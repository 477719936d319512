"""Link decisions."""

import msgspec
import pytest

from gateway.errors import GatewayFault
from gateway.records import LinkState, RecordKind, Traffic
from gateway.store import episodes, links
from gateway.store.database import Database
from tests.store.samples import NOW, SECOND, episode, link


@pytest.fixture
def home(database: Database) -> str:
    first = episode()
    database.write(lambda tx: episodes.add(tx, first))
    return first.id


def test_a_decision_comes_back_as_it_was(database: Database, home: str) -> None:
    decided = link(home, "v1")
    database.write(lambda tx: links.add(tx, decided))
    assert database.read(lambda tx: links.get(tx, decided.id)) == decided
    assert database.read(lambda tx: links.of_episode(tx, home)) == [decided]
    assert database.read(lambda tx: links.of_record(tx, RecordKind.VISIT, "v1")) == [decided]
    assert database.read(lambda tx: links.of_record(tx, RecordKind.CARE_REPORT, "v1")) == []


@pytest.mark.parametrize("new_id", [False, True])
def test_a_later_decision_holds_and_the_earlier_stays(database: Database, home: str, new_id: bool) -> None:
    """Design, section 2: a link is dated, attributed, reasoned and reversible."""
    first = link(home, "v1")
    second = msgspec.structs.replace(
        first,
        id="another" if new_id else first.id,
        state=LinkState.HELD,
        confirmed=False,
        decided=NOW + SECOND,
        decided_by="ines",
    )
    for decided in (first, second):
        database.write(lambda tx, decided=decided: links.add(tx, decided))
    assert database.read(lambda tx: links.of_episode(tx, home)) == [second]
    assert database.read(lambda tx: links.of_record(tx, RecordKind.VISIT, "v1")) == [second]
    assert database.read(lambda tx: links.history(tx, RecordKind.VISIT, "v1")) == [first, second]
    assert database.read(lambda tx: links.get(tx, second.id)) == second


def test_a_record_can_be_held_in_two_episodes(database: Database, home: str) -> None:
    other = episode()
    database.write(lambda tx: episodes.add(tx, other))
    held = [link(where, "v1", state=LinkState.HELD) for where in (home, other.id)]
    database.write(lambda tx: [links.add(tx, each) for each in held] and None)
    assert database.read(lambda tx: links.of_record(tx, RecordKind.VISIT, "v1")) == held


def test_lists_and_counts_show_what_holds_in_one_traffic(database: Database, home: str) -> None:
    exercise = episode(traffic=Traffic.TEST)
    database.write(lambda tx: episodes.add(tx, exercise))
    live = [link(home, f"v{n}", confirmed=n == 0) for n in range(3)]
    database.write(lambda tx: [links.add(tx, each) for each in [*live, link(exercise.id, "t")]] and None)
    assert database.read(lambda tx: links.recent(tx, traffic=Traffic.LIVE, limit=2)) == live[:0:-1]
    assert database.read(lambda tx: links.count(tx, traffic=Traffic.LIVE)) == {
        (LinkState.LINKED, True): 1,
        (LinkState.LINKED, False): 2,
    }


def test_a_link_needs_its_episode(database: Database) -> None:
    with pytest.raises(GatewayFault):
        database.write(lambda tx: links.add(tx, link("none", "v1")))
    with pytest.raises(GatewayFault):
        database.read(lambda tx: links.get(tx, "none"))
