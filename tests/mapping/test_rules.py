"""Mapping files: what one does not say comes from its base; the published schema takes and refuses what we do."""

from pathlib import Path

import jsonschema_rs
import pytest
from hypothesis import given, settings
from ruamel.yaml import YAML

from gateway.documents import read_document
from gateway.errors import ConfigurationFault
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.rules import ADMISSION_VALUES, BandPlace, Mapping, complete, mapping_schema
from gateway.records import Admission, Diagnosis, How, Person
from tests.mapping.conftest import MAPPINGS, shipped_mapping, shipped_tables
from tests.spoiling import Spoil, every_spoil, load, several, spoil

HEAD = "mapping: anvil-head\nkind: admissions\nabout: A hospital.\n"


def mapping_of(text: str) -> Mapping:
    return read_mapping(HEAD + text, "m.yaml", tables=shipped_tables())


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
    with pytest.raises(ConfigurationFault):
        read_mapping(text, "m.yaml", tables={})


RIGHT = load((MAPPINGS / "band-in-obx.yaml").read_text(encoding="utf-8")) | {
    "values": {"patient.sex": {"at": "PID-8", "table": "sex-hl7"}, "service": {"at": "PV1-10"}}
}


@settings(deadline=None)
@given(several(every_spoil(RIGHT, mapping_schema())))
def test_the_published_schema_and_the_reader_refuse_the_same(spoils: list[Spoil]) -> None:
    """Checked by jsonschema-rs, a validator that is not ours; lines by ruamel.yaml."""
    validator = jsonschema_rs.Draft202012Validator(mapping_schema())
    spoilt = spoil(RIGHT, spoils)
    assert validator.is_valid(RIGHT)
    assert not validator.is_valid(spoilt.document)
    document = read_document(spoilt.text, Mapping, file="m.yaml")
    assert sorted(fault.line or 0 for fault in document.faults) == sorted(each.line for each in spoilt.made)


def test_the_published_schema_describes_every_key() -> None:
    schema = mapping_schema()
    parts = [schema, *(part for name, part in schema["$defs"].items() if name not in {"Place", "Presence"})]
    for part in parts:
        for key, entry in part.get("properties", {}).items():
            assert entry.get("description"), key


def test_the_shipped_folder_has_a_guide() -> None:
    assert (Path(MAPPINGS) / "README.md").is_file()
