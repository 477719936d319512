"""Episodes and their bands."""

from datetime import timedelta

import pytest
from msgspec.structs import replace

from gateway.errors import GatewayFault
from gateway.records import Episode, EpisodeState, Traffic
from gateway.store import episodes
from gateway.store.database import Database
from tests.store.samples import NOW, SECOND, episode


def find_open(database: Database, band: str, traffic: Traffic = Traffic.LIVE) -> Episode | None:
    return database.read(lambda tx: episodes.find_open(tx, band, traffic=traffic))


def test_an_open_episode_is_found_by_each_of_its_bands(database: Database) -> None:
    first = episode("P", "A1")
    database.write(lambda tx: episodes.add(tx, first))
    assert find_open(database, "P") == find_open(database, "A1") == first
    assert find_open(database, "P", Traffic.TEST) is None
    assert find_open(database, "X") is None


def test_a_later_band_is_an_alias_and_the_earlier_stays_primary(database: Database) -> None:
    """Design, section 5: a second band becomes an alias of the same episode; common practice, no source."""
    first = episode("P")
    database.write(lambda tx: episodes.add(tx, first))
    grown = database.write(lambda tx: episodes.add_band(tx, first, "A", since=NOW + SECOND))
    assert grown.bands == ("P", "A")
    assert find_open(database, "A") == grown


def test_a_band_has_one_open_episode_in_each_traffic(database: Database) -> None:
    """Design, section 5: one band at a time; test and live traffic never mix. Common practice, no source."""
    database.write(lambda tx: episodes.add(tx, episode("P")))
    with pytest.raises(GatewayFault, match="episode_bands"):
        database.write(lambda tx: episodes.add(tx, episode("Q", "P")))
    assert find_open(database, "Q") is None, "nothing of the refused episode stays"
    database.write(lambda tx: episodes.add(tx, episode("P", traffic=Traffic.TEST)))


def test_a_closed_episode_frees_its_bands(database: Database) -> None:
    first, second = episode("P", "A"), episode("P", opened=NOW + timedelta(days=9))
    database.write(lambda tx: episodes.add(tx, first))
    database.write(lambda tx: episodes.close(tx, first.id, at=NOW + SECOND))
    assert find_open(database, "P") is None
    closed = database.read(lambda tx: episodes.get(tx, first.id))
    assert (closed.state, closed.closed, closed.bands) == (EpisodeState.CLOSED, NOW + SECOND, ("P", "A"))
    database.write(lambda tx: episodes.add(tx, second))
    assert database.read(lambda tx: episodes.of_band(tx, "P", traffic=Traffic.LIVE)) == [second, closed]
    assert database.read(lambda tx: episodes.count(tx, traffic=Traffic.LIVE)) == {
        EpisodeState.OPEN: 1,
        EpisodeState.CLOSED: 1,
    }


def test_an_episode_opens_again_unless_its_band_moved_on(database: Database) -> None:
    """Design, section 5: a cancelled discharge re-opens the episode; common practice, no source."""
    first = episode("P")
    database.write(lambda tx: episodes.add(tx, first))
    database.write(lambda tx: episodes.close(tx, first.id, at=NOW))
    database.write(lambda tx: episodes.reopen(tx, first.id))
    assert find_open(database, "P") == first
    database.write(lambda tx: episodes.close(tx, first.id, at=NOW))
    database.write(lambda tx: episodes.add(tx, episode("P")))
    with pytest.raises(GatewayFault):
        database.write(lambda tx: episodes.reopen(tx, first.id))
    assert database.read(lambda tx: episodes.get(tx, first.id)).state is EpisodeState.CLOSED


def test_a_move_that_the_state_does_not_allow_is_a_fault(database: Database) -> None:
    first = episode("P")
    database.write(lambda tx: episodes.add(tx, first))
    with pytest.raises(GatewayFault, match="not closed"):
        database.write(lambda tx: episodes.reopen(tx, first.id))
    database.write(lambda tx: episodes.close(tx, first.id, at=NOW))
    with pytest.raises(GatewayFault, match="not open"):
        database.write(lambda tx: episodes.close(tx, first.id, at=NOW))
    with pytest.raises(GatewayFault):
        database.read(lambda tx: episodes.get(tx, "none"))


def test_bands_are_put_into_another_order(database: Database) -> None:
    """Common practice, no source: the band that was worn first stays the primary one."""
    first = episode("P", "A", "B")
    database.write(lambda tx: episodes.add(tx, first))
    earlier = NOW - timedelta(hours=1)
    told = database.write(lambda tx: episodes.rearrange(tx, first, ("B", "P", "A"), opened=earlier))
    assert told == database.read(lambda tx: episodes.get(tx, first.id))
    assert (told.bands, told.opened) == (("B", "P", "A"), earlier)
    grown = database.write(lambda tx: episodes.add_band(tx, told, "C", since=NOW))
    assert grown.bands == ("B", "P", "A", "C")
    assert find_open(database, "P") == grown


def test_an_episode_may_be_over_before_it_is_known(database: Database) -> None:
    newer = episode("P")
    older = replace(episode("P", opened=NOW - timedelta(days=9)), state=EpisodeState.CLOSED, closed=NOW)
    database.write(lambda tx: episodes.add(tx, newer))
    database.write(lambda tx: episodes.add(tx, older))
    assert find_open(database, "P") == newer
    assert database.read(lambda tx: episodes.get(tx, older.id)) == older
    database.write(lambda tx: episodes.add_band(tx, older, "A", since=NOW))
    assert find_open(database, "A") is None, "an alias of a closed episode is over with it"


def test_an_alias_may_be_somebody_elses_by_now(database: Database) -> None:
    home, other = episode("P"), episode("A", opened=NOW + timedelta(days=9))
    database.write(lambda tx: [episodes.add(tx, each) for each in (home, other)] and None)
    grown = database.write(lambda tx: episodes.add_band(tx, home, "A", since=NOW, until=other.opened))
    assert grown.bands == ("P", "A")
    assert find_open(database, "A") == other
    assert find_open(database, "P") == grown
