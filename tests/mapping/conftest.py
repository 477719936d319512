"""The shipped mappings, compiled, and the band scheme of the invented region."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gateway.bands.scheme import Scheme
from gateway.mapping.admissions import AdmissionReader, compile_admissions
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.rules import Mapping, complete
from gateway.mapping.source import Authority, Source
from gateway.mapping.tables import CodeTable, read_table

MAPPINGS = Path(__file__).parent.parent.parent / "mappings"


def shipped_tables() -> dict[str, CodeTable]:
    tables = [read_table(path.read_text(encoding="utf-8"), path.name) for path in (MAPPINGS / "tables").glob("*.csv")]
    return {table.name: table for table in tables}


def shipped_mapping(name: str) -> Mapping:
    path = MAPPINGS / f"{name}.yaml"
    return over_base(read_mapping(path.read_text(encoding="utf-8"), path.name, tables=shipped_tables()))


def over_base(mapping: Mapping) -> Mapping:
    return complete(mapping, shipped_mapping(mapping.base) if mapping.base else None)


@pytest.fixture(scope="session")
def admissions() -> Callable[[str], AdmissionReader]:
    """Compile a mapping of admissions: a shipped one by its name, or the text of one."""

    @cache
    def compiled(mapping: str) -> AdmissionReader:
        tables = shipped_tables()
        own = (
            over_base(read_mapping(mapping, "test.yaml", tables=tables))
            if "\n" in mapping
            else shipped_mapping(mapping)
        )
        return compile_admissions(own, tables)

    return compiled


@pytest.fixture(scope="session")
def scheme() -> Scheme:
    """The scheme of the invented region Yarrowfen."""
    return Scheme(
        name="yarrowfen",
        system="urn:oid:2.16.840.1.113883.19.77.1",
        namespace="YFBAND",
        universal_id="2.16.840.1.113883.19.77.1",
        prefix="YF",
        training_prefix="YT",
        alphabet="0123456789ACDEFGHJKMNPQRTVWXY",
        length=9,
        check="mod-x-2",
        fold={"O": "0", "I": "1", "L": "1", "Z": "2", "S": "5", "B": "8"},
        groups=(3, 3, 3),
    )


@pytest.fixture(scope="session")
def source(scheme: Scheme) -> Source:
    """A hospital's feed whose table knows its own numbers, as most send them: a namespace and a type."""
    return Source(
        feed="anvil-head-adt",
        organisation="anvil-head",
        zone=ZoneInfo("America/Chicago"),
        schemes=(scheme,),
        authorities=(
            Authority(system="urn:oid:2.16.840.1.113883.19.77.3.1", namespace="AHMC", type="MR"),
            Authority(system="urn:oid:2.16.840.1.113883.19.77.3.2", namespace="AHMC", type="AN"),
            Authority(system="urn:oid:2.16.840.1.113883.19.77.3.3", type="VN"),
            Authority(system=scheme.system, namespace=scheme.namespace),
        ),
        placeholders=frozenset({"DOE", "UNKNOWN"}),
    )
