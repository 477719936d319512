"""How an admission message is answered in each mode and style, what counts as a repeat, and who is a stranger.

Outside: HL7 v2, edition 2.9.1, section 2.8 with tables 0008 and 0155.
"""

import asyncio
import dataclasses
from datetime import timedelta

import pytest

from gateway.adapters.acknowledgements import Style
from gateway.adapters.er7 import Position, read
from gateway.attribution import Caller
from gateway.region import Region
from gateway.settings import Settings
from gateway.store import strangers
from gateway.store.database import Database
from gateway.store.messages import Outcome
from tests.working import FIXTURES, House, edited, yarrowfen

A04 = (FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
CALLER = Caller("mllp", "192.0.2.7")


def part(message: bytes, place: str) -> str:
    return str(read(message).value(Position.parse(place)) or "")


def with_settings(**values: object) -> Region:
    return dataclasses.replace(yarrowfen(), settings=Settings.model_validate(values))


def as_feed(**changes: object) -> Region:
    """The invented region with another Anvil Head registration."""
    region = yarrowfen()
    feed = dataclasses.replace(region.feeds["anvil-head-adt"], **changes)  # type: ignore[arg-type]
    return dataclasses.replace(region, feeds={**region.feeds, feed.name: feed})


def codes(given: tuple[bytes, ...]) -> list[str]:
    return [part(answer, "MSA-1") for answer in given]


def take(house: House, data: bytes, caller: Caller = CALLER) -> tuple[bytes, ...]:
    return asyncio.run(house.intake.admissions.take(data, caller))


@pytest.mark.parametrize(
    ("style", "accept", "application", "given"),
    [
        (Style.AUTO, b"", b"", ["AA"]),
        (Style.AUTO, b"AL", b"NE", ["CA"]),
        (Style.AUTO, b"AL", b"AL", ["CA"]),
        (Style.AUTO, b"NE", b"AL", ["AA"]),
        (Style.AUTO, b"NE", b"NE", []),
        (Style.BOTH, b"AL", b"AL", ["CA", "AA"]),
        (Style.ORIGINAL, b"AL", b"AL", ["AA"]),
        (Style.ACCEPT_ONLY, b"", b"", ["CA"]),
    ],
)
def test_a_message_is_answered_as_it_asks_and_its_feed_wants(
    database: Database, style: Style, accept: bytes, application: bytes, given: list[str]
) -> None:
    """HL7 v2 section 2.8 and table 0155; a repeat is answered as the first was."""
    house = House(database, as_feed(answers=style))
    data = edited(A04, MSH_15=accept, MSH_16=application)
    for _ in range(2):
        answers = take(house, data)
        assert codes(answers) == given
        assert len({part(answer, "MSH-10") for answer in answers}) == len(answers), "each is a message of its own"
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT, Outcome.DUPLICATE]


def test_an_unreadable_message_is_refused_in_its_feeds_style(database: Database) -> None:
    house = House(database, as_feed(answers=Style.ACCEPT_ONLY))
    assert codes(take(house, edited(A04, MSH_9=b""))) == ["CR"]
    assert codes(take(house, edited(A04, MSH_9=b"", MSH_3=b"NOBODY"))) == ["AR"]


def test_a_repeat_after_the_window_is_a_message_of_its_own(database: Database) -> None:
    """Control ids begin anew some day (common practice, no source); the visit it says again is the same one."""
    house = House(database, with_settings(duplicate_days=2))
    assert codes(take(house, A04)) == ["AA"]
    house.clock.now += timedelta(days=1)
    assert codes(take(house, A04)) == ["AA"]
    house.clock.now += timedelta(days=2)
    before = house.found()
    assert codes(take(house, A04)) == ["AA"]
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT, Outcome.DUPLICATE, Outcome.KEPT]
    assert house.found() == before


def knocking(house: House) -> list[tuple[str, str, str, str, int]]:
    found = house.database.read(lambda tx: strangers.newest(tx, limit=100))
    return [(each.application, each.facility, each.address, each.code, each.times) for each in found]


def test_a_stranger_is_refused_kept_and_told_of(house: House) -> None:
    unknown = edited(A04, MSH_3=b"NEWREG^2.999.7^ISO")
    assert codes(take(house, unknown)) == codes(take(house, unknown)) == ["AR"]
    assert knocking(house) == [("NEWREG", "AHMC", "192.0.2.7", "unknown-feed", 2)]
    assert [item.code for item in house.quarantined()] == ["unknown-feed"] * 2


def test_who_is_known_is_no_stranger_whatever_he_sends(house: House) -> None:
    assert codes(take(house, edited(A04, MSH_9=b""))) == ["AR"]
    assert knocking(house) == []
    assert codes(take(house, b"rubbish")) == ["AR"]
    assert [each[:4] for each in knocking(house)] == [("", "", "192.0.2.7", "no-msh")]


def test_a_contradiction_is_refused_and_told_of(house: House) -> None:
    caller = Caller("mllp-island", "192.0.2.8", port_feed="brackwater-adt")
    (answer,) = take(house, A04, caller)
    assert (part(answer, "MSA-1"), part(answer, "ERR-3.1")) == ("AR", "207")
    assert knocking(house) == [("AHREG", "AHMC", "192.0.2.8", "feed-contradiction", 1)]
    assert house.found().episodes == {}


def test_a_strangers_messages_are_kept_up_to_a_number(database: Database) -> None:
    """Or anybody who reaches the port could fill the disk; he hears AR all the same."""
    house = House(database, with_settings(stranger_messages=3))
    given = [take(house, edited(A04, MSH_3=b"NEWREG", MSH_10=b"M%d" % n)) for n in range(5)]
    assert [codes(each) for each in given] == [["AR"]] * 5
    assert len(house.messages()) == len(house.quarantined()) == 3
    assert knocking(house) == [("NEWREG", "AHMC", "192.0.2.7", "unknown-feed", 5)]
