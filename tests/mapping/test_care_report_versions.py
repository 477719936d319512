"""Two exports of one report: neither a full nor a national one ever erases what the other knew."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.adapters.care_reports import reports
from gateway.mapping.care_report_versions import combine, is_poorer
from gateway.mapping.care_reports import compile_care_reports
from gateway.mapping.source import Source
from gateway.records import (
    CareReport,
    Condition,
    Finding,
    How,
    Level,
    Origin,
    Person,
    ReportTimes,
    Sighting,
    Traffic,
    VitalSigns,
)
from tests.mapping.conftest import shipped_mapping, shipped_tables

SAMPLES = Path(__file__).parents[3] / "shared" / "standards" / "nemsis" / "samples"

texts = st.none() | st.sampled_from(["a", "b"])
times = st.none() | st.sampled_from([datetime(2026, 3, 14, hour, tzinfo=UTC) for hour in (9, 10)])


def lists(*values: Any) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.sampled_from([(), *((value,) for value in values)])


@st.composite
def exports(draw: st.DrawFn) -> CareReport:
    return CareReport(
        key="k",
        number=draw(st.sampled_from(["", "n"])),
        organisation="harrow-point",
        partial=draw(st.booleans()),
        unit=draw(texts),
        narrative=draw(texts),
        mass_casualty=draw(st.none() | st.booleans()),
        patient=Person(family=draw(texts), birth_date=draw(texts), phones=draw(lists("1", "2"))),
        times=ReportTimes(arrived=draw(times), at_patient=draw(times)),
        conditions=draw(lists(Condition(kind="symptom", code="R11"), Condition(kind="symptom", code="R42"))),
        vitals=draw(lists(VitalSigns(), VitalSigns(before_unit=True))),
        sightings=draw(lists(_sighting("YF7K4M2QG"), _sighting("YF0A1C2DA"))),
    )


def _sighting(band: str) -> Sighting:
    return Sighting(raw=band, canonical=band, how=How.IDENTIFIER, path="/x", rule="test: band")


def known(report: CareReport) -> dict[str, Any]:
    """Every value a report has, by name, written out here once more."""
    flat = {
        "number": report.number,
        "unit": report.unit,
        "narrative": report.narrative,
        "mass_casualty": report.mass_casualty,
        "family": report.patient.family,
        "birth_date": report.patient.birth_date,
        "phones": report.patient.phones,
        "arrived": report.times.arrived,
        "at_patient": report.times.at_patient,
        "conditions": report.conditions,
        "vitals": report.vitals,
        "sightings": report.sightings,
    }
    return {name: value for name, value in flat.items() if value not in (None, (), "")}


@given(exports(), exports())
def test_a_partial_export_never_costs_a_known_value(old: CareReport, new: CareReport) -> None:
    """NEMSIS "UUIDs" leaves it open; a national export is a view of the report, never its newer version."""
    both = known(combine(old, new))
    if old.partial or new.partial:
        assert both.keys() == known(old).keys() | known(new).keys()
    else:
        assert both == known(new)
    leading = known(old if new.partial and not old.partial else new)
    assert {name: both[name] for name in leading} == leading


@given(exports(), exports())
def test_the_same_export_twice_changes_nothing(old: CareReport, new: CareReport) -> None:
    once = combine(old, new)
    assert combine(once, new) == once
    assert combine(old, old) == old


@given(exports(), exports(), exports())
def test_what_only_a_partial_export_said_outlives_an_update(
    first: CareReport, view: CareReport, last: CareReport
) -> None:
    first, view, last = replace(first, partial=False), replace(view, partial=True), replace(last, partial=False)
    final = known(combine(combine(first, view), last))
    assert final.keys() == known(last).keys() | (known(view).keys() - known(first).keys())


@given(exports(), exports())
def test_an_export_is_full_once_one_of_both_is(old: CareReport, new: CareReport) -> None:
    assert combine(old, new).partial == (old.partial and new.partial)


def full(**values: Any) -> CareReport:
    return CareReport(key="k", number="n", organisation="harrow-point", **values)


def test_a_full_update_may_drop_what_the_older_one_said() -> None:
    """NEMSIS "UUIDs": an update is the whole report again; an update may take a wrong band back."""
    old = full(sightings=(_sighting("YF7K4M2QG"),), narrative="wrong patient")
    assert combine(old, full(unit="Medic 3")) == full(unit="Medic 3")


def test_values_bring_their_origins_and_what_hangs_on_them() -> None:
    there = Origin("/view", 7, "test: x")
    view = full(
        partial=True,
        unit="Medic 3",
        patient=Person(family="DOE", unidentified=True),
        vitals=(VitalSigns(before_unit=True),),
        origins={"unit": there, "patient.family": there, "vitals[0].before_unit": there, "narrative": there},
    )
    held = full(narrative="calm", origins={"narrative": Origin("/full", 1, "test: x")})
    both = combine(held, view)
    assert both.patient.unidentified
    assert both.origins == {**view.origins, "narrative": Origin("/full", 1, "test: x")}
    assert both.from_partial == ("patient.family", "unit", "vitals")


def test_findings_and_version_are_those_of_the_leading_export() -> None:
    note = Finding(level=Level.NOTE, code="report-national-only", message="x")
    view = full(partial=True, findings=(note,), version="3.5.0", traffic=Traffic.TEST)
    both = combine(full(version="3.5.1"), view)
    assert (both.findings, both.version, both.traffic) == ((), "3.5.1", Traffic.LIVE)


def test_two_different_reports_are_never_combined() -> None:
    with pytest.raises(ValueError, match="different"):
        combine(full(), replace(full(), key="other"))


def test_a_poorer_export_of_the_same_submission_is_told() -> None:
    rich, poor = full(unit="Medic 3", narrative="calm"), full(unit="Medic 4")
    assert is_poorer(poor, rich)
    assert not is_poorer(rich, poor)
    assert not is_poorer(rich, rich)
    assert not is_poorer(replace(poor, triage="2708001"), rich)


@pytest.mark.skipif(not SAMPLES.exists(), reason="the standard's samples are not beside the project")
def test_the_pretest_pair_keeps_everything_in_either_order() -> None:
    """NEMSIS 2025 pre-test "Overdose": the same report, full and cut to the national elements, under one UUID."""
    reader = compile_care_reports(shipped_mapping("nemsis-3.5"), shipped_tables())
    source = Source(feed="f", organisation="o", zone=UTC, schemes=())

    def read(folder: str) -> CareReport:
        (document,) = reports((SAMPLES / folder / "2025-EMS-1-Overdose_v351.xml").read_bytes())
        return reader.read(document, source)

    whole, view = read("pretest-full"), read("pretest-national")
    assert whole.key == view.key
    assert (whole.partial, view.partial) == (False, True)
    assert known(view).keys() < known(whole).keys()
    assert combine(whole, view) == whole
    assert combine(view, whole) == whole
