"""Who knocks without being known: counted, bounded, forgotten after a month, on both databases."""

from datetime import timedelta

import pytest

from gateway.store import strangers
from gateway.store.database import Database
from gateway.store.strangers import FROM_ONE_ADDRESS, IN_ALL, LONGEST_NAME, Knock, Stranger
from tests.store.samples import NOW

SECOND, MONTH = timedelta(seconds=1), timedelta(days=30)
KNOCK = Knock("mllp", "192.0.2.7", "NEWREG", "SKH", "unknown-feed")


def knock(database: Database, *knocks: Knock, after: timedelta = timedelta()) -> list[int]:
    """Note them in one transaction each second; gives back how often each stranger had knocked by then."""
    return [
        database.write(lambda tx, each=each, n=n: strangers.note(tx, each, at=NOW + after + n * SECOND))
        for n, each in enumerate(knocks)
    ]


def everybody(database: Database) -> list[Stranger]:
    return database.read(lambda tx: strangers.newest(tx, limit=10_000))


def test_one_who_comes_again_is_one_row_with_the_newest_reason(database: Database) -> None:
    assert knock(database, KNOCK, KNOCK, KNOCK._replace(code="feed-certificate")) == [1, 2, 3]
    (found,) = everybody(database)
    assert found == Stranger(
        door="mllp",
        address="192.0.2.7",
        application="NEWREG",
        facility="SKH",
        gathered=False,
        code="feed-certificate",
        times=3,
        first_seen=NOW,
        last_seen=NOW + 2 * SECOND,
    )
    assert database.read(strangers.count) == 1


@pytest.mark.parametrize("change", [{"door": "mllp-b"}, {"address": "::1"}, {"application": "X"}, {"facility": ""}])
def test_another_door_address_or_name_is_another(database: Database, change: dict[str, str]) -> None:
    assert knock(database, KNOCK, KNOCK._replace(**change)) == [1, 1]
    assert [each.times for each in everybody(database)] == [1, 1]


def test_one_address_cannot_fill_the_table(database: Database) -> None:
    many = [KNOCK._replace(application=f"APP{n}") for n in range(FROM_ONE_ADDRESS + 30)]
    noted = knock(database, *many)
    assert noted == [1] * FROM_ONE_ADDRESS + list(range(1, 31))
    found = everybody(database)
    assert len(found) == FROM_ONE_ADDRESS + 1
    assert [(each.address, each.application, each.times) for each in found if each.gathered] == [("192.0.2.7", "", 30)]
    assert knock(database, KNOCK._replace(address="192.0.2.8"), after=MONTH / 2) == [1], "others have their place"
    assert knock(database, many[0], after=MONTH / 2) == [2], "and who is there is counted on"


def test_many_addresses_cannot_fill_the_table_either(database: Database) -> None:
    def note_all(tx: object) -> None:
        for n in range(IN_ALL + 40):
            strangers.note(tx, KNOCK._replace(address=f"2001:db8::{n:x}"), at=NOW)  # type: ignore[arg-type]

    database.write(note_all)
    found = everybody(database)
    assert len(found) == IN_ALL + 1
    assert [(each.door, each.address, each.times) for each in found if each.gathered] == [("", "", 40)]


def test_who_has_not_come_for_a_month_makes_room(database: Database) -> None:
    knock(database, KNOCK)
    knock(database, KNOCK._replace(application="LATER"), after=MONTH + SECOND)
    assert [each.application for each in everybody(database)] == ["LATER"]


def test_names_are_cut_and_printable(database: Database) -> None:
    knock(database, KNOCK._replace(application="N\x1b[31m\x00W" + "x" * 500))
    (found,) = everybody(database)
    assert found.application.startswith("N[31mWx")
    assert len(found.application) == LONGEST_NAME
