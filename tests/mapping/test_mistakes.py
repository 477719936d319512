"""What is wrong with a mapping file: all mistakes at once, each once, with its line and what was probably meant."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import ConfigurationFault
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.tables import CodeTable, read_table
from tests.mapping.conftest import shipped_tables

HEAD = "mapping: anvil-head\nkind: admissions\nabout: A hospital.\n"
REPORTS = "mapping: larkfield\nkind: care-reports\nabout: An agency.\n"


def faults_of(text: str, **tables: dict[str, str]) -> list[str]:
    known = {name: CodeTable(name, meanings) for name, meanings in tables.items()} or shipped_tables()
    with pytest.raises(ConfigurationFault) as caught:
        read_mapping(text, "m.yaml", tables=known)
    return [str(fault) for fault in caught.value.faults]


def test_every_misshapen_part_is_told_with_line_and_suggestion() -> None:
    text = """\
mapping: Anvil head
kind: admission
abuot: x
band:
  - {at: PID-3, wher: {PID-3.4: A}, how: identifer}
  - {at: PID-3, where: {PID-3.4: 5}, how: identifier}
values:
  patient.sex: {at: PID-8, tabel: sex-hl7}
  patient.given: 5
"""
    faults = faults_of(text)
    expected = [
        "m.yaml:1: mapping: not in the form",
        "m.yaml:2: kind: not a known word: did you mean admissions?",
        "m.yaml:3: abuot: unknown key: did you mean about?",
        "m.yaml:5: band[0].wher: unknown key: did you mean where?",
        "m.yaml:5: band[0].how: not a known word: did you mean identifier?",
        "m.yaml:6: band[1].where.PID-3.4: codes are text",
        "m.yaml:8: values.patient.sex.tabel: unknown key: did you mean table?",
        "m.yaml:9: values.patient.given: write a place",
    ]
    assert len(faults) == len(expected)
    for fault, beginning in zip(faults, expected, strict=True):
        assert fault.startswith(beginning)


def test_every_mistake_behind_the_right_shape_is_told_with_line_and_suggestion() -> None:
    text = (
        HEAD
        + """\
band:
  - {at: PID3, how: identifier}
  - {at: PID-3, where: {PV1-2: E}, how: identifier}
  - {custom: cePatient.Band, how: custom}
  - {how: custom}
  - {at: NTE-3, how: free-text}
  - {at: ZBD-2, how: custom}
groups: {vitals: {each: eVitals, values: {at: eVitals.01}}}
values:
  admited_at: PV1-44
  patient.sex: {at: PID-8, table: sex-hl8}
  patient.birth_date: {at: PID-7, convert: time}
  location: PV1-3.1
  diagnoses.code: DG1-3
  diagnoses.text: PV2-3
"""
    )
    assert [
        fault.partition(": ")[0] + ": " + fault.partition(": ")[2].partition(":")[0] for fault in faults_of(text)
    ] == [
        "m.yaml:5: band[0].at",
        "m.yaml:6: band[1].where.PV1-2",
        "m.yaml:7: band[2].custom",
        "m.yaml:8: band[3]",
        "m.yaml:10: band[5]",
        "m.yaml:11: groups",
        "m.yaml:13: values.admited_at",
        "m.yaml:14: values.patient.sex.table",
        "m.yaml:15: values.patient.birth_date.convert",
        "m.yaml:16: values.location.at",
        "m.yaml:17: values.diagnoses.code",
        "m.yaml:18: values.diagnoses.text",
    ]
    assert "did you mean admitted_at?" in "\n".join(faults_of(text))
    assert "did you mean sex-hl7?" in "\n".join(faults_of(text))


def test_a_table_of_which_no_row_fits_is_the_wrong_table() -> None:
    told = faults_of(HEAD + "values:\n  patient.sex: {at: PID-8, table: sexes}\n", sexes={"F": "woman"})
    assert told == [
        "m.yaml:5: values.patient.sex.table: no row of the table means anything that this value can be: "
        "only: female, male, other, unknown"
    ]
    assert len(faults_of(HEAD + "values:\n  patient.deceased: {at: PID-30, table: t}\n", t={"1": "yes"})) == 1


def test_a_row_that_does_not_fit_is_told_with_its_file_and_line() -> None:
    sexes = read_table("code,means\nF,woman\nM,male\n", "tables/sexes.csv")
    with pytest.raises(ConfigurationFault) as caught:
        read_mapping(HEAD + "values:\n  patient.sex: {at: PID-8, table: sexes}\n", "m.yaml", tables={"sexes": sexes})
    assert [str(fault) for fault in caught.value.faults] == [
        "tables/sexes.csv:2: means: patient.sex cannot be this: write one of: female, male, other, unknown"
    ]


def test_a_table_that_is_nowhere_has_a_place_to_be_put() -> None:
    (told,) = faults_of(HEAD + "values:\n  service: {at: PV1-10, table: zzzzzz}\n")
    assert told == (
        "m.yaml:5: values.service.table: no such code table: "
        "keep it as a CSV file in the folder tables beside this file"
    )


# ── one mistake is told once and hides no other ────────────────────────────────────────────────────


def test_a_misspelt_value_is_one_mistake_and_read_on_as_what_was_meant() -> None:
    told = faults_of(HEAD + "values:\n  patient.sx: {at: PID-8, table: sex-hl7}\n")
    assert told == ["m.yaml:5: values.patient.sx: not a value of this record: did you mean patient.sex?"]
    text = "values:\n  patient.birth_dat: {at: PID-7, table: sex-hl7}\n  locaton: {at: PV1-3.1, convert: text}\n"
    assert [fault.split(": ")[1] for fault in faults_of(HEAD + text)] == [
        "values.patient.birth_dat",
        "values.patient.birth_dat.table",
        "values.locaton",
        "values.locaton.convert",
        "values.locaton.at",
    ]


def test_a_misspelt_value_beside_the_right_one_means_nothing() -> None:
    told = faults_of(HEAD + "values:\n  patient.sex: PID-8\n  patient.sx: {at: PID-7.1, table: age-unit-nemsis}\n")
    assert [fault.split(": ")[0] for fault in told] == ["m.yaml:6"]


def test_a_misspelt_group_is_one_mistake() -> None:
    text = REPORTS + "groups:\n  vital: {each: eVitals, values: {systolc: eVitals.06}}\n"
    assert [fault.split(": ")[1] for fault in faults_of(text)] == ["groups.vital", "groups.vital.values.systolc"]


def test_mistakes_of_form_and_of_meaning_come_at_once() -> None:
    text = """\
mapping: anvil-head
kind: admision
abuot: x
band:
  - {at: PID3, hwo: identifier}
  - {at: [PID-3], how: identifier}
  - {at: PV1-50, how: wrong}
  - {how: custom}
values:
  admited_at: {at: PV1-44, tabel: sex-hl8}
  patient.family: 5
  patient.given: PID5.2
  diagnoses.code: DG1.3
  diagnoses.text: DG1-4
"""
    assert [": ".join(fault.split(": ")[:2]) for fault in faults_of(text)] == [
        "m.yaml:2: kind",
        "m.yaml:3: abuot",
        "m.yaml:5: band[0].hwo",
        "m.yaml:5: band[0].at",
        "m.yaml:6: band[1].at",
        "m.yaml:7: band[2].how",
        "m.yaml:8: band[3]",
        "m.yaml:10: values.admited_at.tabel",
        "m.yaml:10: values.admited_at",
        "m.yaml:10: values.admited_at.table",
        "m.yaml:11: values.patient.family",
        "m.yaml:12: values.patient.given.at",
        "m.yaml:13: values.diagnoses.code.at",
    ]


def test_nothing_is_concluded_from_what_could_not_be_read() -> None:
    text = "band:\n  - {at: NTE-3, how: [free-text]}\n  - {at: 5, how: free-text}\n  - {at: PID-3, how: 7}\n"
    assert [fault.split(": ")[1] for fault in faults_of(HEAD + text)] == ["band[0].how", "band[1].at", "band[2].how"]


# ── the kind ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("kind", "other", "text"),
    [
        ("care-reports", "admissions", "band: [{at: ZBD-2, how: custom}]\nvalues: {service: PV1-10}\n"),
        ("admissions", "care-reports", "values: {narrative: eNarrative/eNarrative.01}\n"),
        ("admissions", "care-reports", "groups: {vitals: {each: eVitals, values: {}}}\n"),
        ("admissions", "care-reports", "conditions: {complaint: eSituation/eSituation.04}\n"),
    ],
)
def test_a_file_that_names_the_wrong_kind_is_told_so_once(kind: str, other: str, text: str) -> None:
    told = faults_of(f"mapping: m\nkind: {kind}\nabout: x\n{text}")
    assert told == [f"m.yaml:2: kind: the places in this file are those of {other}: write kind: {other}"]


def test_a_file_of_the_wrong_kind_is_checked_for_the_kind_that_is_meant() -> None:
    text = "mapping: m\nkind: care-reports\nabout: x\nvalues: {patient.sx: PID-8, service: PV110}\n"
    assert [fault.split(": ")[1] for fault in faults_of(text)] == ["kind", "values.patient.sx", "values.service.at"]


def test_a_misspelt_position_makes_no_care_report() -> None:
    for place in ("PID3", "PID.3", "pid-3", "ZBD"):
        (told,) = faults_of(HEAD + f"values: {{service: {place}}}\n")
        assert "values.service.at: not an HL7 position" in told


def test_without_a_kind_the_places_tell_it_or_nothing_is_concluded() -> None:
    text = "mapping: m\nabout: x\nvalues: {patient.sx: PID-8}\n"
    assert [fault.split(": ")[1] for fault in faults_of(text)] == ["kind", "values.patient.sx"]
    text = "mapping: m\nabout: x\nvalues: {patient.sx: PID8}\n"
    assert [fault.split(": ")[1] for fault in faults_of(text)] == ["kind"]
    assert [fault.split(": ")[1] for fault in faults_of("mapping: m\nkind: [x]\nabout: x\n")] == ["kind"]


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("values: {unit: /EMSDataSet/Header/eCustomConfiguration/eCustomConfiguration.01}", "values.unit.at"),
        ("conditions: {complaint: /eSituation/eSituation.04}", "conditions.complaint"),
        (
            "band: [{at: eOutcome/eOutcome.04, how: custom, "
            "where: {/EMSDataSet/Header/DemographicGroup/dAgency.02: '1'}}]",
            "band[0].where./EMSDataSet/Header/DemographicGroup/dAgency.02",
        ),
    ],
)
def test_a_place_outside_the_reports_is_told_with_its_line(text: str, path: str) -> None:
    (told,) = faults_of(REPORTS + text + "\n")
    assert told.startswith(f"m.yaml:4: {path}: a place outside the reports: start it with /EMSDataSet/Header/Pat")


def test_whole_paths_into_a_report_and_the_few_of_its_header_are_places() -> None:
    for place in ("/EMSDataSet/Header/PatientCareReport/eRecord/eRecord.01", "eRecord/eRecord.01"):
        assert read_mapping(REPORTS + f"values: {{number: {place}}}\n", "m.yaml", tables={})
    place = "/EMSDataSet/Header/DemographicGroup/dAgency.02"
    assert read_mapping(REPORTS + f"values: {{agency_number: {place}}}\n", "m.yaml", tables={})


@pytest.mark.parametrize(
    ("place", "well_formed"),
    [
        ("PID-3", True),
        ("PID-3.4.2", True),
        ("ZBD-2", True),
        ("PID-0", False),
        ("PID-3.0", False),
        ("pid-3", False),
        ("PID.3", False),
        ("PID-3[2]", False),  # a mapping looks at every repetition
        ("PID-3\n", False),
        ("", False),
    ],
)
def test_a_place_is_an_hl7_position(place: str, well_formed: bool) -> None:
    text = HEAD + f"values:\n  service: {json.dumps(place)}\n"
    if well_formed:
        assert read_mapping(text, "m.yaml", tables={}).value_places()["service"].places == [place]
    else:
        assert "not an HL7 position" in faults_of(text)[0]


@pytest.mark.parametrize("condition", ["5", "{present: 1}", "{presnt: true}", "[]", "[A, 5]", "null", "{}"])
def test_a_condition_is_codes_or_presence(condition: str) -> None:
    text = HEAD + f"band:\n  - {{at: PID-3, where: {{PID-3.4: {condition}}}, how: identifier}}\n"
    assert len(faults_of(text)) == 1


@given(st.text())
def test_any_text_is_a_mapping_or_a_located_fault(text: str) -> None:
    told: list[str] = []
    try:
        read_mapping(text, "m.yaml", tables={})
    except ConfigurationFault as error:
        told = [str(fault) for fault in error.faults]
    assert all(fault.startswith("m.yaml") for fault in told)
