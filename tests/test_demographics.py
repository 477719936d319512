"""Demographics kept, and held beside a region's organisations."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.demographics import KeptDemographics, keep_demographics, suggestions
from gateway.errors import UnknownSender, UnreadableMessage
from gateway.records import Organisation, Traffic
from gateway.records.demographics import Agency, Facility
from gateway.region import Feed
from gateway.store import demographics
from gateway.store.database import Database
from gateway.store.demographics import KeptAgency
from tests.demographics import agency, facility
from tests.demographics import demographics as data_set
from tests.store.samples import NOW, SECOND
from tests.working import yarrowfen


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database.open(f"sqlite:///{tmp_path / 'gateway.db'}", key_file=tmp_path / "gateway.key", now=NOW)
    yield opened
    opened.close()


def reports_feed() -> tuple[Feed, str]:
    """A feed of care reports of the invented region, and its agency's number."""
    return next(
        (each, min(each.source.agency_numbers)) for each in yarrowfen().feeds.values() if each.source.agency_numbers
    )


FEED, NUMBER = reports_feed()


def keep(database: Database, data: bytes, later: int = 0) -> KeptDemographics:
    return keep_demographics(database, data, feed=FEED, traffic=Traffic.LIVE, now=NOW + later * SECOND)


def kept(database: Database) -> list[Agency]:
    return [each.agency for each in database.read(lambda tx: demographics.everything(tx, traffic=Traffic.LIVE))]


# ── keeping ────────────────────────────────────────────────────────────────────────────────────────


def test_absent_is_deleted_and_the_same_again_changes_nothing(database: Database) -> None:
    """NEMSIS UUID guide: objects of a demographic data set that are absent from the next one have been deleted."""
    full = data_set(agency(facility(), facility("Brackwater Memorial", "BM02"), number=NUMBER))
    assert keep(database, full).changed == 1
    assert keep(database, full, later=1).changed == 0
    assert keep(database, data_set(agency(facility(), number=NUMBER)), later=2).changed == 1
    (one,) = kept(database)
    assert [each.name for each in one.facilities] == ["Saint Orla Hospital"]


def test_a_national_export_deletes_nothing(database: Database) -> None:
    keep(database, data_set(agency(facility(), number=NUMBER)))
    national = data_set(agency(number=NUMBER, name=""), location="http://www.nemsis.org DEMDataSet_NAT_v3.xsd")
    assert keep(database, national, later=1).changed == 0
    (one,) = kept(database)
    assert (one.name, len(one.facilities), one.is_partial) == ("Harrow Point Ambulance", 1, False)


def test_an_agency_that_is_not_the_feeds_refuses_the_whole(database: Database) -> None:
    with pytest.raises(UnknownSender):
        keep(database, data_set(agency(number=NUMBER), agency(number="someone-else")))
    assert kept(database) == []


def test_a_faulty_data_set_changes_nothing(database: Database) -> None:
    with pytest.raises(UnreadableMessage):
        keep(database, data_set(agency(number=NUMBER), "<DemographicReport>"))
    assert kept(database) == []


# ── beside the region ──────────────────────────────────────────────────────────────────────────────

HARROW = Organisation(id="harrow", kind="agency", name="Harrow Point", nemsis_number="HP01", nemsis_state="99")
ORLA = Organisation(id="saint-orla", kind="facility", name="Saint Orla Hospital", codes=("SO01",))


def said(*facilities: Facility, number: str = "HP01", name: str | None = "Harrow Point") -> KeptAgency:
    told = Agency(state_id="YF", number=number, name=name, state="99", facilities=facilities)
    return KeptAgency(agency=told, feed="harrow", since=NOW)


def test_what_the_region_has_is_not_suggested() -> None:
    assert suggestions([HARROW, ORLA], [said(Facility(name="St Orla", code="SO01"))]) == []
    assert suggestions([HARROW, ORLA], [said(name=None)]) == []


def test_what_it_lacks_is_suggested_once_whoever_says_it() -> None:
    both = [
        said(Facility(name="Fenwick Children's", code="FC01")),
        said(
            Facility(name="FENWICK CHILDRENS", code="FC01", national_ids=("1999999976",)),
            number="LF01",
            name="Larkfield",
        ),
    ]
    found = suggestions([HARROW], both)
    assert [each.organisation for each in found] == [
        Organisation(id="larkfield", kind="agency", name="Larkfield", nemsis_number="LF01", nemsis_state="99"),
        Organisation(id="fenwick-childrens", kind="facility", name="Fenwick Children's", codes=("FC01", "1999999976")),
    ]
    assert all(each.known is None for each in found)


def test_what_it_has_otherwise_is_suggested_with_what_stands_there() -> None:
    (one, two) = suggestions(
        [HARROW, ORLA], [said(Facility(name="Saint Orla Hospital", code="SO99"), name="Harrow Point Ambulance")]
    )
    assert (one.organisation.id, one.organisation.name, one.known) == ("harrow", "Harrow Point Ambulance", HARROW)
    assert (two.organisation.codes, two.known) == (("SO01", "SO99"), ORLA)
    assert "the codes SO01" in two.reason


def test_ids_are_of_the_form_and_nobodys() -> None:
    others = [Organisation(id="aero", kind="agency", name="x"), Organisation(id="aero-2", kind="agency", name="y")]
    found = suggestions(others, [said(number="A1", name="Aéro"), said(number="A2", name="救急")])
    assert [each.organisation.id for each in found] == ["aero-3", "organisation"]
