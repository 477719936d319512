"""What the bands of one record say together about how well the band was captured."""

import pytest

from gateway.bands import scan
from gateway.bands.scheme import Scheme
from gateway.mapping.capture import BandState, capture
from gateway.mapping.sightings import judge, sight, sight_in_text
from gateway.records import How, Sighting

FIELD, CUSTOM, PROSE = How.IDENTIFIER, How.CUSTOM, How.FREE_TEXT


def seen(raw: str, how: How, scheme: Scheme) -> Sighting:
    return sight(raw, scan.read(raw, [scheme]), how=how, path="PID-3", line=3, rule="test: band")


@pytest.mark.parametrize(
    ("bands", "live", "codes"),
    [
        ([], True, ["band-missing"]),
        ([("YF7K4M2QG", FIELD)], True, []),
        ([("YF7K4M2QG", CUSTOM)], True, []),
        ([("YF7K4M2QG", FIELD), ("YF7K4M2QG", PROSE)], True, []),
        ([("YF7K4M2QG", PROSE)], True, ["band-free-text-only"]),
        ([("YF7K4M2QH", FIELD)], True, ["band-check"]),
        ([("4711", FIELD)], True, ["band-pattern"]),
        ([("4711", FIELD), ("YF7K4M2QG", PROSE)], True, ["band-pattern", "band-free-text-only"]),
        ([("yf7-k4m-2qg", FIELD)], True, []),
        ([("YF7K4MZQG", FIELD)], True, ["band-folded"]),
    ],
)
def test_what_is_said_about_the_bands_of_a_record(
    bands: list[tuple[str, How]], live: bool, codes: list[str], scheme: Scheme
) -> None:
    """The identifiers are those of the table of the region's scheme, checked by python-stdnum in its own tests."""
    sightings = [seen(raw, how, scheme) for raw, how in bands]
    assert [finding.code for finding in judge(sightings, claims_live=live)] == codes


def another(scheme: Scheme, prefix: str) -> str:
    return prefix + "000000" + scheme.check_characters(prefix + "000000")


def test_two_bands_on_one_patient_are_told_where_the_second_stands(scheme: Scheme) -> None:
    sightings = [seen("YF7K4M2QG", FIELD, scheme), seen(another(scheme, "YF"), CUSTOM, scheme)]
    assert [finding.code for finding in judge(sightings, claims_live=True)] == ["band-several"]


def test_another_band_in_prose_alone_is_not_a_second_band(scheme: Scheme) -> None:
    """A newborn's note may well name the mother's band."""
    sightings = [seen("YF7K4M2QG", FIELD, scheme), seen(another(scheme, "YF"), PROSE, scheme)]
    assert judge(sightings, claims_live=True) == []
    assert capture(sightings).state is BandState.RECORDED


@pytest.mark.parametrize(("live", "code"), [(True, "band-mixed-signals"), (False, "band-training")])
def test_a_training_band_belongs_to_an_exercise(live: bool, code: str, scheme: Scheme) -> None:
    sightings = [seen(another(scheme, "YT"), FIELD, scheme)]
    assert [finding.code for finding in judge(sightings, claims_live=live)] == [code]


def test_a_finding_names_the_place_and_never_the_band(scheme: Scheme) -> None:
    for raw in ("YF7K4M2QH", "YF7K4MZQG"):
        (said,) = judge([seen(raw, FIELD, scheme)], claims_live=True)
        assert (said.path, said.line) == ("PID-3", 3)
        assert raw not in said.message + said.remedy


def test_prose_gives_every_band_in_it_as_it_was_written(scheme: Scheme) -> None:
    text = "band YF7 K4M 2QG on left wrist, not YF7K4M2QH"
    sightings = sight_in_text(text, [scheme], path="NTE-3", line=6, rule="test: band")
    assert [(each.raw, each.canonical, each.how) for each in sightings] == [("YF7 K4M 2QG", "YF7K4M2QG", PROSE)]
