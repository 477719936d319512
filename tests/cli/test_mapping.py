"""`bandgate mapping`: the published form, and what is shipped."""

from pathlib import Path

import jsonschema_rs
from ruamel.yaml import YAML

from gateway.mapping_folders import shipped
from tests.cli.conftest import FIXTURES, Bandgate

SHIPPED = sorted(shipped("mappings").glob("*.yaml"), key=lambda path: path.stem)


def test_the_printed_schema_takes_every_mapping_and_refuses_a_misspelt_key(bandgate: Bandgate) -> None:
    """Checked by jsonschema-rs, a validator that is not ours."""
    schema = bandgate("mapping", "schema").document
    jsonschema_rs.meta.validate(schema)
    validator = jsonschema_rs.Draft202012Validator(schema)
    for path in [*SHIPPED, *(FIXTURES / "mappings").glob("*.yaml")]:
        mapping = YAML(typ="safe").load(path.read_text(encoding="utf-8"))
        validator.validate(mapping)
        mapping["abuot"] = mapping.pop("about")
        assert not validator.is_valid(mapping)


def test_every_shipped_mapping_is_listed(bandgate: Bandgate) -> None:
    rows = bandgate("mapping", "list", "--json").document["mappings"]
    assert [row["mapping"] for row in rows] == [path.stem for path in SHIPPED]
    assert {row["kind"] for row in rows} == {"admissions", "care-reports"}
    lines = bandgate("mapping", "list").out.splitlines()
    assert [line.split()[0] for line in lines] == [path.stem for path in SHIPPED]


def test_a_folder_of_ones_own_is_listed_too(bandgate: Bandgate) -> None:
    rows = bandgate("mapping", "list", "--folder", FIXTURES / "mappings", "--json").document["mappings"]
    assert "anvil-head-ed" in [row["mapping"] for row in rows]


def test_a_broken_mapping_is_told_with_its_line(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "ours.yaml").write_text("mapping: ours\nkind: admission\nabout: Ours.\n")
    said = bandgate("mapping", "list", "--folder", tmp_path, "--json")
    assert (said.status, said.out) == (2, "")
    assert said.faults == [f"{tmp_path}/ours.yaml:2: kind: not a known word: did you mean admissions?"]


def test_mistakes_of_form_and_of_meaning_are_told_together(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "ours.yaml").write_text(
        "mapping: ours\nkind: admissions\nabuot: Ours.\nbase: hl7v3\nvalues: {patient.sx: {at: PID-8, table: sexes}}\n"
    )
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "sexes.csv").write_text("code,means\nF\n")
    said = bandgate("mapping", "list", "--folder", tmp_path)
    assert said.status == 2
    assert [fault.removeprefix(f"{tmp_path}/").split(": ")[:2] for fault in said.faults] == [
        ["tables/sexes.csv:2", "one column in place of two"],
        ["ours.yaml:3", "abuot"],
        ["ours.yaml:4", "base"],
        ["ours.yaml:5", "values.patient.sx"],
    ]


def test_a_folder_that_is_not_there_is_told_with_a_remedy(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("mapping", "list", "--folder", tmp_path / "nothing")
    assert said.status == 2
    assert said.faults == [f"{tmp_path}/nothing: no such folder: name the one that holds your mapping files"]
