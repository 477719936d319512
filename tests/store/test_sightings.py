"""Where each band was seen."""

from gateway.records import How, RecordKind, Sighting, Traffic
from gateway.store import sightings
from gateway.store.database import Database
from tests.store.samples import BAND, NOW, SECOND, sighting


def put(
    database: Database, *seen: Sighting, record: str = "v1", traffic: Traffic = Traffic.LIVE, late: int = 0
) -> None:
    database.write(
        lambda tx: sightings.replace(
            tx,
            seen,
            kind=RecordKind.VISIT,
            record=record,
            organisation="saint-orla",
            traffic=traffic,
            event_time=NOW + late * SECOND,
        )
    )


def test_a_band_leads_to_its_records_by_event_time(database: Database) -> None:
    put(database, sighting(), record="late", late=9)
    put(database, sighting(), record="early")
    put(database, sighting(), record="exercise", traffic=Traffic.TEST)
    put(database, sighting("YF0000000"), record="other")
    found = database.read(lambda tx: sightings.of_band(tx, BAND, traffic=Traffic.LIVE))
    assert [each.record for each in found] == ["early", "late"]


def test_a_sighting_comes_back_but_for_its_raw_text(database: Database) -> None:
    given = [sighting(), sighting(None, how=How.FREE_TEXT, path="NTE[2]-3", line=None, folded=True, training=True)]
    put(database, *given)
    found = database.read(lambda tx: sightings.of_record(tx, RecordKind.VISIT, "v1"))
    for seen, put_in in zip(found, given, strict=True):
        assert seen.band == put_in.canonical
        assert seen.event_time == NOW
        for name in ("how", "path", "line", "rule", "scheme", "training", "folded", "fault"):
            assert getattr(seen, name) == getattr(put_in, name), name
        assert not hasattr(seen, "raw")


def test_the_newest_version_of_a_record_counts(database: Database) -> None:
    put(database, sighting(), sighting("YF0000000"))
    put(database, sighting("YF1111111"))
    found = database.read(lambda tx: sightings.of_record(tx, RecordKind.VISIT, "v1"))
    assert [each.band for each in found] == ["YF1111111"]
    assert database.read(lambda tx: sightings.of_band(tx, BAND, traffic=Traffic.LIVE)) == []
    put(database)
    assert database.read(lambda tx: sightings.of_record(tx, RecordKind.VISIT, "v1")) == []
