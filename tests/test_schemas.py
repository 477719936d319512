"""The official schemas: where they are found, and what is said when they are not."""

import threading
from pathlib import Path

import pytest

from gateway.adapters.report_checks import DataSet
from gateway.errors import ConfigurationFault, Fault, GatewayFault, UsageFault
from gateway.rule_orders import Stylesheet
from gateway.schema_files import SchemaSet, recognise
from gateway.schemas import ENTRY, FOLDER, SETS, Schemas, load_schema
from tests.fixtures.committed import SHARED, needs_standards
from tests.official import RULES, XSDS_351, rule_file
from tests.permissions import needs_permissions, nobody


@needs_standards
def test_the_published_schema_is_found_by_its_folder() -> None:
    """The NEMSIS 3.5.1 XSD; its entry point has the same name in every release of version 3."""
    assert load_schema(SHARED / "nemsis" / "xsd") is not None


def test_a_folder_without_the_entry_point_is_refused(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nothing"):
        with pytest.raises(UsageFault, match=f"no {ENTRY} here"):
            load_schema(folder)


@pytest.mark.parametrize(
    "text", ["", "no XML", "<a/>", '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>']
)
def test_what_is_no_schema_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / ENTRY).write_text(text)
    with pytest.raises(UsageFault, match="not a usable XML Schema"):
        load_schema(tmp_path)


@needs_permissions
@pytest.mark.parametrize("closed", [".", ENTRY])
def test_what_may_not_be_read_is_told_as_such(tmp_path: Path, closed: str) -> None:
    (tmp_path / ENTRY).write_text("<a/>")
    (tmp_path / closed).chmod(0)
    with nobody(), pytest.raises(UsageFault, match="may not be read: let the user"):
        load_schema(tmp_path)


# ── registered in a data folder ────────────────────────────────────────────────────────────────────


def sets(files: dict[str, bytes]) -> list[SchemaSet]:
    return recognise(Path("handed-over.zip"), files, None)


def nothing(_: Stylesheet) -> None:
    """A processor that takes everything."""


BOTH = {**XSDS_351, "rules.sch": RULES}


def test_what_is_registered_is_found_by_data_set_and_version(tmp_path: Path) -> None:
    schemas = Schemas(tmp_path)
    assert schemas.registered() == ()
    assert schemas.find_schema(DataSet.EMS, "3.5.1") is None
    schemas.add(sets(BOTH), try_rules=nothing)
    assert [each.name for each in schemas.registered()] == ["EMSDataSet-3.5.1", "EMSDataSet-3.5.1-rules-national"]
    found = schemas.find_schema(DataSet.EMS, "3.5.1")
    assert found is not None
    assert schemas.find_schema(DataSet.EMS, "3.5.1") is found
    assert schemas.find_schema(DataSet.EMS, "3.5.0") is None
    assert schemas.find_schema(DataSet.DEMOGRAPHICS, "3.5.1") is None
    assert [each.name for each, _ in schemas.rules(DataSet.EMS, "3.5.1")] == ["EMSDataSet-3.5.1-rules-national"]
    assert schemas.rules(DataSet.EMS, "3.5.0") == []


def test_the_national_rules_come_first(tmp_path: Path) -> None:
    """NEMSIS V3 Schematron guide: national before state rules."""
    schemas = Schemas(tmp_path)
    files = {"a.sch": rule_file("3.5.1.250403CP1_aaa"), "b.sch": RULES, "c.sch": rule_file("3.5.1.250403CP1_zzz")}
    schemas.add(sets(files), try_rules=nothing)
    assert [each.name.rpartition("-")[2] for each, _ in schemas.rules(DataSet.EMS, "3.5.1")] == [
        "national",
        "aaa",
        "zzz",
    ]


def test_another_process_sees_a_change_at_once(tmp_path: Path) -> None:
    running, other = Schemas(tmp_path), Schemas(tmp_path)
    other.add(sets(XSDS_351), try_rules=nothing)
    before = running.find_schema(DataSet.EMS, "3.5.1")
    assert before is not None
    other.add(sets({**XSDS_351, "EMSDataSet_v3.xsd": XSDS_351["EMSDataSet_v3.xsd"] + b"\n"}), try_rules=nothing)
    after = running.find_schema(DataSet.EMS, "3.5.1")
    assert after is not None
    assert after is not before
    other.remove("EMSDataSet-3.5.1")
    assert running.find_schema(DataSet.EMS, "3.5.1") is None
    assert list((tmp_path / FOLDER / SETS).iterdir()) == []


def test_all_of_it_or_nothing(tmp_path: Path) -> None:
    schemas = Schemas(tmp_path)
    schemas.add(sets({"a.sch": RULES}), try_rules=nothing)
    before = schemas.registered()
    unusable = XSDS_351["EMSDataSet_v3.xsd"].replace(b'type="UUID"', b'type="Nobody"')
    with pytest.raises(ConfigurationFault, match="not a usable XML Schema"):
        schemas.add(sets({**BOTH, "EMSDataSet_v3.xsd": unusable}), try_rules=nothing)
    assert schemas.registered() == before
    assert [each.name for each in (tmp_path / FOLDER / SETS).iterdir()] == [before[0].digest]


def test_a_rule_file_that_the_processor_refuses_is_not_registered(tmp_path: Path) -> None:
    def refuse(_: Stylesheet) -> None:
        raise ConfigurationFault([Fault("", None, "", "no")])

    with pytest.raises(ConfigurationFault, match=r"EMSDataSet-3\.5\.1-rules-national: no"):
        Schemas(tmp_path).add(sets(BOTH), try_rules=refuse)
    assert Schemas(tmp_path).registered() == ()


def test_two_at_once_are_both_registered(tmp_path: Path) -> None:
    files = [{f"{n}.sch": rule_file(f"3.5.1.250403CP1_state{n}")} for n in range(8)]
    threads = [
        threading.Thread(target=lambda each=each: Schemas(tmp_path).add(sets(each), try_rules=nothing))
        for each in files
    ]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(Schemas(tmp_path).registered()) == 8


def test_what_a_crash_left_over_is_swept(tmp_path: Path) -> None:
    left = tmp_path / FOLDER / SETS / ".new-abc"
    left.mkdir(parents=True)
    (left / "EMSDataSet_v3.xsd").write_text("half")
    Schemas(tmp_path).add(sets(XSDS_351), try_rules=nothing)
    assert not left.exists()


def test_a_name_that_nobody_registered_is_told_with_those_there_are(tmp_path: Path) -> None:
    Schemas(tmp_path).add(sets(XSDS_351), try_rules=nothing)
    with pytest.raises(UsageFault, match=r"EMSDataSet-9: no such set: EMSDataSet-3\.5\.1"):
        Schemas(tmp_path).remove("EMSDataSet-9")


def test_damage_is_our_fault_and_says_what_to_do(tmp_path: Path) -> None:
    schemas = Schemas(tmp_path)
    (made,) = schemas.add(sets(XSDS_351), try_rules=nothing)
    (tmp_path / FOLDER / SETS / made.digest / "EMSDataSet_v3.xsd").write_text("damaged")
    with pytest.raises(GatewayFault, match="add them anew"):
        schemas.find_schema(DataSet.EMS, "3.5.1")
    (tmp_path / FOLDER / "registered.json").write_text("damaged")
    with pytest.raises(GatewayFault, match="remove it and add them anew"):
        schemas.registered()
