"""The guide's worked example is tried as it stands on the page."""

import dataclasses
import re
import shutil
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from gateway.adapters import er7
from gateway.mapping.admissions import compile_admissions
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.source import Authority, Source
from gateway.mapping.tables import read_table
from gateway.reading import read_admission
from gateway.records import How, Sex, Traffic
from gateway.region import read_region
from tests.mapping.conftest import MAPPINGS, over_base, shipped_mapping, shipped_tables

GUIDE = (MAPPINGS / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```[a-z]*\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)

ROOT = MAPPINGS.parent
ISSUER = "urn:oid:2.16.840.1.113883.19.77.30"


def read_yaml(text: str) -> Any:
    return YAML(typ="safe").load(text)


def block(start: str) -> str:
    return next(text for text in BLOCKS if text.startswith(start))


def test_the_worked_example_reads_the_message_it_was_written_for(source: Source) -> None:
    table = read_table(block("code,means"), "sex-north-gate.csv")
    tables = {**shipped_tables(), table.name: table}
    mapping = over_base(read_mapping(block("mapping:"), "north-gate.yaml", tables=tables))
    message = er7.read(block("MSH").replace("\n", "\r").encode())
    (feed,) = read_yaml(block("  - name:"))
    told = dataclasses.replace(
        source, feed=feed["name"], authorities=tuple(Authority(**r) for r in feed["authorities"])
    )
    record = compile_admissions(mapping, tables).read(message, told)
    assert [(each.canonical, each.how, each.path) for each in record.sightings] == [("YF7K4M2QG", How.CUSTOM, "ZTR-3")]
    assert record.patient.sex is Sex.FEMALE
    assert record.patient.family == "TOAD"
    assert [(each.value, each.system) for each in record.identifiers] == [("88120", f"{ISSUER}.1")]
    assert record.visit_number is not None
    assert (record.visit_number.value, record.visit_number.system) == ("V771", f"{ISSUER}.2")
    assert record.origins["visit_number.system"].rule == "feed north-gate-adt: authorities {type: VN}"
    assert {finding.code for finding in record.findings} == {"time-without-zone"}


def test_without_its_row_the_number_of_the_worked_example_is_told(source: Source) -> None:
    message = er7.read(block("MSH").replace("\n", "\r").encode())
    nobodys = dataclasses.replace(source, authorities=())
    record = compile_admissions(shipped_mapping("hl7v2"), shipped_tables()).read(message, nobodys)
    told = [finding.path for finding in record.findings if finding.code == "authority-unknown"]
    assert told == ["PV1-19", "PID-3"]


def test_the_whole_example_is_a_region_that_reads_the_message(tmp_path: Path) -> None:
    """Every step as a reader would take it: the files in their folders, the organisation and the feed in a copy."""
    text = (ROOT / "fixtures" / "region.yaml").read_text(encoding="utf-8")
    for key, start in (("organisations:\n", "  - id:"), ("feeds:\n", "  - name:")):
        text = text.replace(f"\n{key}", f"\n{key}{block(start)}")
    files = {
        "region.yaml": text,
        "mappings/north-gate.yaml": block("mapping:"),
        "mappings/tables/sex-north-gate.csv": block("code,means"),
    }
    shutil.copytree(ROOT / "fixtures" / "mappings", tmp_path / "mappings")
    for name, content in files.items():
        assert name in GUIDE
        place = tmp_path / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(content, encoding="utf-8")
    region = read_region(tmp_path / "region.yaml")
    read = read_admission(region, block("MSH").replace("\n", "\r").encode())
    assert read.feed.name == "north-gate-adt"
    (record,) = read.admissions
    assert (record.organisation, record.traffic) == ("north-gate", Traffic.TEST)
    assert [each.canonical for each in record.sightings] == ["YF7K4M2QG"]


def test_every_file_the_guide_names_exists() -> None:
    for name in re.findall(r"`([a-z0-9.-]+\.yaml)`", GUIDE):
        assert name in {"region.yaml", "north-gate.yaml"} or (MAPPINGS / name).is_file()
