"""Mapping files: all mistakes at once, each with its line and what was probably meant; bases; the schema."""

import json
from pathlib import Path

import jsonschema_rs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from gateway.errors import ConfigurationFault
from gateway.mapping.rules import ADMISSION_VALUES, BandPlace, Mapping, complete, mapping_schema, read_mapping
from gateway.mapping.tables import CodeTable
from gateway.records import Admission, Diagnosis, How, Person
from tests.mapping.conftest import MAPPINGS, shipped_mapping, shipped_tables

HEAD = "mapping: anvil-head\nkind: admissions\nabout: A hospital.\n"


def faults_of(text: str, **tables: dict[str, str]) -> list[str]:
    known = {name: CodeTable(name, meanings) for name, meanings in tables.items()} or shipped_tables()
    with pytest.raises(ConfigurationFault) as caught:
        read_mapping(text, "m.yaml", tables=known)
    return [str(fault) for fault in caught.value.faults]


def mapping_of(text: str) -> Mapping:
    return read_mapping(HEAD + text, "m.yaml", tables=shipped_tables())


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
    told = "\n".join(faults_of(text))
    for expected in [
        "m.yaml: about: missing",
        "m.yaml:1: mapping: ",
        "m.yaml:2: kind: not a known word: did you mean admissions?",
        "m.yaml:3: abuot: unknown key: did you mean about?",
        "m.yaml:5: band[0].wher: unknown key: did you mean where?",
        "m.yaml:5: band[0].how: not a known word: did you mean identifier?",
        "m.yaml:6: band[1].where.PID-3.4: codes are text",
        "m.yaml:8: values.patient.sex.tabel: unknown key: did you mean table?",
        "m.yaml:9: values.patient.given: write a place",
    ]:
        assert expected in told


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


def test_a_table_must_mean_what_the_value_can_be() -> None:
    told = faults_of(HEAD + "values:\n  patient.sex: {at: PID-8, table: sexes}\n", sexes={"F": "woman"})
    assert told == [
        "m.yaml:5: values.patient.sex.table: the table has a meaning that this value cannot have: "
        "only: female, male, other, unknown"
    ]
    assert len(faults_of(HEAD + "values:\n  patient.deceased: {at: PID-30, table: t}\n", t={"1": "yes"})) == 1


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


def test_what_a_mapping_does_not_say_comes_from_its_base() -> None:
    base = mapping_of(
        "band:\n  - {at: NTE-3, how: free-text}\n"
        "values:\n  service: PV1-10\n  account: PID-18\n  alternate_visit: PV1-50\n"
    )
    own = mapping_of(
        "band:\n  - {at: ZBD-2, how: custom}\n  - {at: PV2-3, how: free-text}\n"
        "values:\n  service: ZPV-1\n  alternate_visit: null\n"
    )
    whole = complete(own, base)
    assert [place.at for place in whole.band] == ["ZBD-2", "PV2-3", "NTE-3"]
    assert {name: place.places for name, place in whole.value_places().items()} == {
        "service": ["ZPV-1"],
        "account": ["PID-18"],
    }
    assert complete(whole, base).band == whole.band  # a place that both name is looked at once


def test_free_text_of_its_own_stands_behind_the_fields_of_the_base() -> None:
    base = mapping_of("band:\n  - {at: PID-3, how: identifier}\n")
    own = mapping_of("band:\n  - {at: NTE-3, how: free-text}\n")
    assert [place.at for place in complete(own, base).band] == ["PID-3", "NTE-3"]


def test_pid_3_without_a_condition_is_shared_with_other_identifiers() -> None:
    """HL7 v2, the text of PID-3: PID-3 is the list of identifiers that the facility uses for the patient."""
    assert not BandPlace(at="PID-3", how=How.IDENTIFIER).for_bands_only
    assert BandPlace(at="PID-3", how=How.IDENTIFIER, where={"PID-3.4.1": "YFBAND"}).for_bands_only
    assert BandPlace(at="PV1-50", how=How.IDENTIFIER).for_bands_only
    assert not BandPlace(at="PV1-50", how=How.IDENTIFIER, shared=True).for_bands_only


def test_the_values_of_a_mapping_are_the_values_of_the_record() -> None:
    fields = {
        *Admission.__struct_fields__,
        *(f"patient.{field}" for field in Person.__struct_fields__),
        *(f"diagnoses.{field}" for field in Diagnosis.__struct_fields__),
    }
    assert set(ADMISSION_VALUES) <= fields


def test_every_shipped_mapping_is_sound_named_by_its_file_and_ends_in_free_text() -> None:
    for path in sorted(MAPPINGS.glob("*.yaml")):
        mapping = shipped_mapping(path.stem)
        assert mapping.mapping == path.stem
        assert mapping.band[-1].how is How.FREE_TEXT


def test_the_published_schema_takes_every_shipped_mapping() -> None:
    """Checked by jsonschema-rs, a validator that is not ours."""
    validator = jsonschema_rs.Draft202012Validator(mapping_schema())
    for path in sorted(MAPPINGS.glob("*.yaml")):
        validator.validate(YAML(typ="safe").load(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "bnad: []\n",
        HEAD + "values: {admited_at: PV1-44}\n",
        HEAD + "values: {times.called: PV1-44}\n",
        HEAD + "values: {service: {ta: PV1-10}}\n",
        HEAD + "values: {service: 5}\n",
        HEAD + "band: [{at: PID-3, how: identifer}]\n",
        HEAD + "groups: {vitals: {each: eVitals, values: {}}}\n",
        HEAD.replace("anvil-head", "Anvil Head"),
        HEAD.replace("admissions", "letters"),
    ],
)
def test_the_published_schema_refuses_what_the_reader_refuses(text: str) -> None:
    validator = jsonschema_rs.Draft202012Validator(mapping_schema())
    assert not validator.is_valid(YAML(typ="safe").load(text))
    assert faults_of(text)


def test_the_published_schema_describes_every_key() -> None:
    schema = mapping_schema()
    parts = [schema, *(part for name, part in schema["$defs"].items() if name not in {"Place", "Presence"})]
    for part in parts:
        for key, entry in part.get("properties", {}).items():
            assert entry.get("description"), key


@given(st.text())
def test_any_text_is_a_mapping_or_a_located_fault(text: str) -> None:
    told: list[str] = []
    try:
        read_mapping(text, "m.yaml", tables={})
    except ConfigurationFault as error:
        told = [str(fault) for fault in error.faults]
    assert all(fault.startswith("m.yaml") for fault in told)


def test_the_shipped_folder_has_a_guide() -> None:
    assert (Path(MAPPINGS) / "README.md").is_file()
