"""`bandgate region`: the published form, and whether a file is right."""

from pathlib import Path

import jsonschema_rs
from ruamel.yaml import YAML

from tests.cli.conftest import REGION, Bandgate


def test_the_printed_schema_takes_the_region_and_refuses_a_misspelt_key(bandgate: Bandgate) -> None:
    """Checked by jsonschema-rs, a validator that is not ours."""
    schema = bandgate("region", "schema").document
    jsonschema_rs.meta.validate(schema)
    validator = jsonschema_rs.Draft202012Validator(schema)
    region = YAML(typ="safe").load(REGION.read_text(encoding="utf-8"))
    validator.validate(region)
    region["feeds"][0]["maping"] = region["feeds"][0].pop("mapping")
    told = {error.message for error in validator.iter_errors(region)}
    assert any("maping" in message for message in told)


def test_a_right_region_is_counted(bandgate: Bandgate) -> None:
    said = bandgate("region", "check", REGION, "--json")
    assert (said.status, said.document) == (
        0, {"region": "Yarrowfen", "organisations": 8, "feeds": 10, "subscriptions": 5},
    )  # fmt: skip
    assert bandgate("region", "check", REGION).out == "Yarrowfen: 8 organisations, 10 feeds, 5 subscriptions\n"


def test_a_wrong_region_is_told_line_by_line(bandgate: Bandgate, tmp_path: Path) -> None:
    path = tmp_path / "region.yaml"
    lines = REGION.read_text(encoding="utf-8").splitlines(keepends=True)
    at = lines.index("feeds:\n")
    path.write_text("".join([*lines[:at], "feed:\n", *lines[at + 1 :]]))
    said = bandgate("region", "check", path, "--json")
    assert (said.status, said.out) == (2, "")
    assert [fault.split(": ")[0] for fault in said.faults] == [f"{path}:{at + 1}"]
    assert said.faults[0].endswith("unknown key: did you mean feeds?")
