"""`bandgate region`: the published form, whether a file is right, and what agencies say that it lacks."""

from pathlib import Path
from shutil import copytree

import jsonschema_rs
from ruamel.yaml import YAML

from gateway.records import Traffic
from gateway.records.demographics import Agency, Facility
from gateway.region import read_region
from gateway.store import demographics
from gateway.store.database import Database
from tests.cli.conftest import REGION, Bandgate
from tests.store.samples import NOW


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


def test_one_of_a_kind_is_said_so(bandgate: Bandgate, tmp_path: Path) -> None:
    text = REGION.read_text(encoding="utf-8").partition("\norganisations:")[0]
    (tmp_path / "region.yaml").write_text(text + "\norganisations:\n  - {id: a, kind: agency, name: A}\n")
    said = bandgate("region", "check", tmp_path / "region.yaml")
    assert said.out == "Yarrowfen: 1 organisation, 0 feeds, 0 subscriptions\n"


def test_a_wrong_region_is_told_line_by_line(bandgate: Bandgate, tmp_path: Path) -> None:
    path = tmp_path / "region.yaml"
    lines = REGION.read_text(encoding="utf-8").splitlines(keepends=True)
    at = lines.index("feeds:\n")
    path.write_text("".join([*lines[:at], "feed:\n", *lines[at + 1 :]]))
    copytree(REGION.parent / "mappings", tmp_path / "mappings")
    said = bandgate("region", "check", path, "--json")
    assert (said.status, said.out) == (2, "")
    assert [fault.split(": ")[0] for fault in said.faults] == [f"{path}:{at + 1}"]
    assert said.faults[0].endswith("unknown key: did you mean feeds?")


def test_mistakes_of_form_and_of_meaning_are_told_in_one_round(bandgate: Bandgate, tmp_path: Path) -> None:
    path = tmp_path / "region.yaml"
    text = REGION.read_text(encoding="utf-8")
    path.write_text(
        text.replace("organisation: larkfield", "organisation: larkfeild").replace("stage: live", "stage: x", 1)
    )
    said = bandgate("region", "check", path)
    assert (said.status, said.out) == (2, "")
    assert [fault.split(": ")[1] for fault in said.faults] == [
        "feeds[0].stage",
        "feeds[1].organisation",
        "feeds[5].mapping",
    ]
    assert "bring the region's own mappings along to" in said.faults[2]


def test_a_region_file_that_cannot_be_read_is_one_line_with_a_remedy(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "latin.yaml").write_bytes(b"name: \xe9\n")
    for path in (tmp_path, tmp_path / "nothing.yaml", tmp_path / "latin.yaml"):
        said = bandgate("region", "check", path)
        assert said.status == 2
        (fault,) = said.faults
        assert fault.startswith(str(path))
        assert "Error" not in fault


# ── suggestions ────────────────────────────────────────────────────────────────────────────────────


def test_suggestions_are_lines_of_a_region_file(bandgate: Bandgate, tmp_path: Path) -> None:
    """The lines are put into a region file, which the gateway then takes; a second look finds nothing more."""
    odd = Agency(
        state_id="YF", number="TW77", name='Tidewater "North": # 2\n- id: x', state="99",
        facilities=(Facility(name="Gull Landing Clinic", code="GL01", national_ids=("1999999976",)),),
    )  # fmt: skip
    database = Database.open(f"sqlite:///{tmp_path / 'gateway.db'}", key_file=tmp_path / "gateway.key", now=NOW)
    database.write(lambda tx: demographics.put(tx, odd, feed="tidewater", traffic=Traffic.LIVE, at=NOW))
    database.close()
    said = bandgate("region", "suggest", "--data", tmp_path, "--region", REGION)
    assert said.status == 0
    added = YAML(typ="safe").load(said.out)["organisations"]
    assert [(each["kind"], each["name"]) for each in added] == [
        ("agency", 'Tidewater "North": # 2\n- id: x'), ("facility", "Gull Landing Clinic"),
    ]  # fmt: skip
    assert added[1]["codes"] == ["GL01", "1999999976"]
    copytree(REGION.parent / "mappings", tmp_path / "mappings")
    text = REGION.read_text(encoding="utf-8")
    lines = said.out.removeprefix("organisations:\n")
    (tmp_path / "region.yaml").write_text(text.replace("\norganisations:\n", f"\norganisations:\n{lines}", 1))
    again = bandgate("region", "suggest", "--data", tmp_path, "--region", tmp_path / "region.yaml", "--json")
    assert again.document == {"agencies": 1, "suggestions": []}
    assert bandgate("region", "suggest", "--data", tmp_path, "--region", REGION, "--test-traffic").out == ""


def test_suggestions_need_a_data_folder(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("region", "suggest", "--data", tmp_path, "--region", REGION)
    assert (said.status, len(said.faults)) == (2, 1)


def test_folders_and_certificates_that_are_not_there_are_told(bandgate: Bandgate, tmp_path: Path) -> None:
    """Only where the region is checked: what reads it elsewhere, as the look-up does, needs none of them."""
    path, text = tmp_path / "region.yaml", REGION.read_text(encoding="utf-8")
    copytree(REGION.parent / "mappings", tmp_path / "mappings")
    tls = "{certificate: server.pem, key: server.key, client_issuers: issuers.pem}"
    text = text.replace("    kind: admissions\n", "    kind: admissions\n    folder: drop\n", 1)
    path.write_text(text + f"\nlisteners:\n  - {{name: outside, port: 2576, tls: {tls}}}\n")
    said = bandgate("region", "check", path)
    assert (said.status, said.out) == (2, "")
    last = len(path.read_text(encoding="utf-8").splitlines())
    folder = text.splitlines().index("    folder: drop") + 1
    places = [fault.partition(": ")[2].partition(": ")[0] for fault in said.faults]
    assert [fault.partition(": ")[0] for fault in said.faults] == [f"{path}:{n}" for n in (folder, last, last, last)]
    assert [place.rpartition(".")[2] for place in places] == ["folder", "certificate", "key", "client_issuers"]
    assert all(f"there is no such {'folder' if n == 0 else 'file'}" in fault for n, fault in enumerate(said.faults))
    assert len(read_region(path).listeners) == 1
    (tmp_path / "drop").mkdir()
    for name in ("server.pem", "server.key", "issuers.pem"):
        (tmp_path / name).touch()
    assert bandgate("region", "check", path).status == 0


def test_what_is_not_there_is_told_beside_every_other_mistake(bandgate: Bandgate, tmp_path: Path) -> None:
    path, text = tmp_path / "region.yaml", REGION.read_text(encoding="utf-8")
    copytree(REGION.parent / "mappings", tmp_path / "mappings")
    text = text.replace("organisation: larkfield", "organisation: larkfeild", 1)
    path.write_text(text.replace("    kind: admissions\n", "    kind: admissions\n    folder: drop\n", 1))
    said = " ".join(bandgate("region", "check", path).faults)
    assert "no such organisation" in said
    assert "there is no such folder" in said
