"""The official checks of a submission: what is checked in which order, and what is said of what cannot be."""

import io
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.adapters.care_reports import reports
from gateway.adapters.report_checks import Checked, DataSet, Role
from gateway.checking import OFTEN, Checks
from gateway.errors import UnreadableMessage
from gateway.rule_runner import RuleRunner
from gateway.schema_files import read_files, recognise
from gateway.schemas import Schemas
from tests.care_reports import data_set, header, report
from tests.fixtures.committed import SHARED, needs_standards
from tests.official import XSDS_351, refuse, rule_file

SAMPLES = SHARED / "nemsis" / "samples"
UUIDS = [f"5f0c1d9e-7a3b-4c21-9d11-0a1b2c3d4e{n:02d}" for n in range(10)]


def register(folder: Path, files: dict[str, bytes]) -> Schemas:
    schemas = Schemas(folder)
    schemas.add(recognise(Path("official"), files, None), try_rules=lambda _: None)
    return schemas


@pytest.fixture
def checks(tmp_path: Path, runner: RuleRunner) -> Checks:
    rules = rule_file(
        "3.5.1.250403CP1", refuse("[WARNING]", "odd"), refuse("[ERROR]", "bad"), refuse("[FATAL]", "worst")
    )
    return Checks(register(tmp_path, {**XSDS_351, "rules.sch": rules}), runner=runner)


@pytest.fixture(scope="module")
def runner() -> Iterator[RuleRunner]:
    with RuleRunner(processes=2, seconds=1) as one:
        yield one


def check(checks: Checks, *numbers: str) -> Checked:
    found = [report(number=number, uuid=UUIDS[n]) for n, number in enumerate(numbers)]
    return checks.check(io.BytesIO(data_set(header(*found))), 61, "3.5.1")


# ── the standard's own files ───────────────────────────────────────────────────────────────────────


@needs_standards
def test_the_samples_of_the_standard_get_what_the_standard_says(tmp_path: Path, runner: RuleRunner) -> None:
    """standards/nemsis.md, sections 10, 11 and 13: what each sample deserves (1, 3, -12, -14)."""
    checks = Checks(register(tmp_path, read_files(SHARED / "nemsis").files), runner=runner)
    for path in sorted(SAMPLES.glob("*/*.xml")):
        found = checks.check(path, 61, "3.5.1")
        if path.name == "2025-EMS-FailXsd_v351.xml":
            assert (found.total, found.svrl, found.rules) == (1, (), ())
        elif path.name == "2025-EMS-FailSchematron_v351.xml":
            (one,) = reports(path.read_bytes())
            assert (found.total, found.worst, found.failed_unplaced) == (0, Role.ERROR, 0)
            assert found.failed_uuids == (one.element.get("UUID"),)
        else:
            worst = Role.WARNING if path.parent.name in {"generated", "custom-elements"} else None
            assert (found.total, found.worst, len(found.svrl), found.unchecked) == (0, worst, 2, ())
        assert found.schema == "EMSDataSet 3.5.1"


# ── the schema ─────────────────────────────────────────────────────────────────────────────────────


def test_an_invalid_file_is_asked_no_rule(checks: Checks) -> None:
    found = check(checks, "HP", "HP-bad")
    assert (found.total, found.is_valid, found.rules, found.svrl) == (1, False, (), ())
    assert found.errors[0].xpath == "/EMSDataSet/Header[1]/PatientCareReport[1]/eRecord/eRecord.01"


def test_the_declared_version_counts_and_not_what_the_file_says(checks: Checks) -> None:
    data = data_set(header(report(number="H")), location="http://www.nemsis.org 3.5.0/EMSDataSet_v3.xsd")
    assert checks.check(io.BytesIO(data), 61, "3.5.1").total == 1
    assert checks.check(io.BytesIO(data), 61, "3.5.1.250403CP1").total == 1
    assert checks.check(io.BytesIO(data), 61, "3.5.0").schema is None


def test_what_is_not_registered_is_said(checks: Checks) -> None:
    found = checks.check(io.BytesIO(data_set(header(report()))), 61, "3.5.0")
    assert (found.schema, found.total) == (None, 0)
    assert found.unchecked == (
        "no XML Schema is registered for EMSDataSet 3.5.0: not held against it",
        "no rules are registered for EMSDataSet 3.5.0: none was run",
    )


def test_a_given_schema_stands_in_for_versions_of_which_none_is_registered(tmp_path: Path, checks: Checks) -> None:
    given = Schemas(tmp_path).find_schema(DataSet.EMS, "3.5.1")
    with Checks(Schemas(tmp_path / "none"), given=given) as others:
        found = check(others, "H")
        assert (found.schema, found.total) == ("EMSDataSet as given", 1)


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"<a/>", "report-root"),
        (b"<!DOCTYPE a><a/>", "report-doctype"),
        (b"", "report-xml"),
        (b"<DEMDataSet/>", "report-root"),
    ],
)
@pytest.mark.parametrize("version", ["3.5.1", "3.4.0"])
def test_what_is_no_such_data_set_is_refused_with_and_without_schema(
    checks: Checks, data: bytes, code: str, version: str
) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        checks.check(io.BytesIO(data), 61, version)
    assert caught.value.code == code


# ── the rules ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("numbers", "worst", "failed"),
    [
        (["fine"], None, []),
        (["an-odd-one"], Role.WARNING, []),
        (["fine", "bad-1", "odd", "bad-2"], Role.ERROR, [UUIDS[1], UUIDS[3]]),
        (["worst", "bad"], Role.FATAL, [UUIDS[0], UUIDS[1]]),
    ],
)  # fmt: skip
def test_the_gravest_finding_and_whose_it_is(
    checks: Checks, numbers: list[str], worst: Role, failed: list[str]
) -> None:
    found = check(checks, *numbers)
    assert (found.worst, list(found.failed_uuids), found.failed_unplaced) == (worst, failed, 0)
    assert found.rules == ("EMSDataSet-3.5.1-rules-national",)


def test_all_rule_files_are_run_national_first(tmp_path: Path, runner: RuleRunner) -> None:
    files = {"a.sch": rule_file("3.5.1.250403CP1_aaa", refuse("[ERROR]", "aaa")), "b.sch": rule_file()}
    found = check(Checks(register(tmp_path, files), runner=runner), "one-aaa", "one-bad")
    assert found.rules == ("EMSDataSet-3.5.1-rules-national", "EMSDataSet-3.5.1-rules-aaa")
    assert [b"t-bad" in each for each in found.svrl] == [True, False]
    assert set(found.failed_uuids) == {UUIDS[0], UUIDS[1]}


def endless() -> bytes:
    always = "count(for $x in 1 to 100000000, $y in 1 to 100000000 return ($x * $y)[. = 7.5])"
    return rule_file(
        "3.5.1.250403CP1_slow", refuse("[ERROR]", "x").replace("not(contains", f"{always} ge 0 and not(contains")
    )


def test_a_rule_file_without_end_holds_up_nobody_for_long(tmp_path: Path, runner: RuleRunner) -> None:
    checks = Checks(register(tmp_path, {"a.sch": endless(), "b.sch": rule_file()}), runner=runner)
    for _ in range(OFTEN):
        found = check(checks, "bad")
        assert found.rules == ("EMSDataSet-3.5.1-rules-national",)
        assert "did not come to an end" in found.unchecked[-1]
        assert found.worst is Role.ERROR
    assert "set aside" in check(checks, "bad").unchecked[-1]
    register(tmp_path, {"a.sch": rule_file("3.5.1.250403CP1_slow", refuse("[ERROR]", "x"))})
    assert len(check(checks, "bad").rules) == 2


def test_a_rule_that_breaks_off_is_said_and_the_others_count(tmp_path: Path, runner: RuleRunner) -> None:
    broken = refuse("[ERROR]", "x").replace("not(contains(n:eRecord/n:eRecord.01, 'x'))", "xs:date(n:eRecord) = ''")
    checks = Checks(
        register(tmp_path, {"a.sch": rule_file("3.5.1.250403CP1_y", broken), "b.sch": rule_file()}), runner=runner
    )
    found = check(checks, "Marrowby-bad")
    assert (found.worst, len(found.rules)) == (Role.ERROR, 1)
    assert "broke off" in found.unchecked[-1]
    assert "Marrowby" not in str(found.unchecked)


def test_without_the_processor_no_rule_is_run_and_it_is_said(checks: Checks, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    found = check(checks, "bad")
    assert (found.rules, found.worst) == ((), None)
    assert "extra schematron" in found.unchecked[-1]


def test_a_large_file_is_checked_in_parts_with_the_places_of_the_whole(checks: Checks) -> None:
    filling = [report(number="fine-" + "x" * 3_000) for _ in range(1_500)]
    first = header(*filling, report(number="bad", uuid=UUIDS[3]))
    second = header(report(number="fine"), report(number="bad", uuid=UUIDS[4]))
    found = checks.check(io.BytesIO(data_set(first, second)), 61, "3.5.1")
    assert found.failed_uuids == (UUIDS[3], UUIDS[4])
    (svrl,) = found.svrl
    assert b"PatientCareReport[namespace-uri()='http://www.nemsis.org'][1501]" in svrl
    assert b"Header[namespace-uri()='http://www.nemsis.org'][2]" in svrl


def test_many_threads_get_each_their_own_answer(checks: Checks) -> None:
    found: dict[int, Checked] = {}

    def ask(n: int) -> None:
        found[n] = check(checks, "bad" if n % 2 else "fine", "x" if n % 3 == 0 else "fine")

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(12)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    for n, each in found.items():
        assert (each.total, each.worst) == ((1, None) if n % 3 == 0 else (0, Role.ERROR if n % 2 else None))
