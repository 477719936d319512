"""The guide's worked example is tried as it stands on the page."""

import re

from gateway.adapters import er7
from gateway.mapping.admissions import compile_admissions
from gateway.mapping.rules import read_mapping
from gateway.mapping.source import Source
from gateway.mapping.tables import read_table
from gateway.records import How, Sex
from tests.mapping.conftest import MAPPINGS, over_base, shipped_tables

GUIDE = (MAPPINGS / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```[a-z]*\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)


def block(start: str) -> str:
    return next(text for text in BLOCKS if text.startswith(start))


def test_the_worked_example_reads_the_message_it_was_written_for(source: Source) -> None:
    table = read_table(block("code,means"), "sex-fenwick.csv")
    tables = {**shipped_tables(), table.name: table}
    mapping = over_base(read_mapping(block("mapping:"), "fenwick-registration.yaml", tables=tables))
    message = er7.read(block("MSH").replace("\n", "\r").encode())
    record = compile_admissions(mapping, tables).read(message, source)
    assert [(each.canonical, each.how, each.path) for each in record.sightings] == [("YF7K4M2QG", How.CUSTOM, "ZTR-3")]
    assert record.patient.sex is Sex.FEMALE
    assert record.patient.family == "TOAD"
    assert record.visit_number is not None
    assert record.visit_number.value == "V771"


def test_every_file_the_guide_names_exists() -> None:
    for name in re.findall(r"`([a-z0-9.-]+\.yaml)`", GUIDE):
        assert name == "region.yaml" or (MAPPINGS / name).is_file()
