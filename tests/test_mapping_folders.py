"""Folders of mappings: what goes before what, bases, and every mistake of every file at once."""

from pathlib import Path

import pytest

from gateway.documents import Mistake
from gateway.mapping_folders import read_mapping_folders, shipped


def folder(path: Path, **files: str) -> Path:
    path.mkdir(exist_ok=True)
    for name, text in files.items():
        (path / f"{name}.yaml").write_text(text, encoding="utf-8")
    return path


def mapping(name: str, base: str | None = None, values: str = "{}") -> str:
    line = f"base: {base}\n" if base else ""
    return f"mapping: {name}\nkind: admissions\nabout: A hospital.\n{line}values: {values}\n"


def told(*folders: Path) -> list[str]:
    found = read_mapping_folders(folders).faults
    return [f"{Path(each.file).name}:{each.line}: {each.path}: {each.message}: {each.remedy}" for each in found]


def test_the_shipped_mappings_are_sound_and_whole() -> None:
    found = read_mapping_folders([shipped("mappings")])
    assert found.faults == ()
    assert found.broken == frozenset()
    assert found.mappings["band-in-z-segment"].value_places()["patient.family"].places == ["PID-5.1"]


def test_an_own_file_goes_before_a_shipped_one_and_may_be_a_base(tmp_path: Path) -> None:
    own = folder(tmp_path / "own", a=mapping("a", values="{service: ZZZ-1}"), c=mapping("c", base="b"))
    later = folder(tmp_path / "later", a=mapping("a"), b=mapping("b", base="a", values="{account: PID-18}"))
    found = read_mapping_folders([own, later])
    assert {name: place.places for name, place in found.mappings["c"].value_places().items()} == {
        "service": ["ZZZ-1"],
        "account": ["PID-18"],
    }


def test_a_base_that_is_not_there_is_told_with_its_line(tmp_path: Path) -> None:
    assert told(folder(tmp_path, ours=mapping("ours", base="comon"), common=mapping("common"))) == [
        f"ours.yaml:4: base: no mapping comon in {tmp_path}: did you mean common?"
    ]


def test_a_base_of_the_other_kind_is_told_once(tmp_path: Path) -> None:
    reports = "mapping: b\nkind: care-reports\nabout: x\nvalues: {number: eRecord/eRecord.01}\n"
    assert told(folder(tmp_path, a=mapping("a", base="b"), b=reports)) == [
        "a.yaml:4: base: the base reads care-reports, and this mapping admissions: take a base of the same kind"
    ]
    wrong = "mapping: c\nkind: care-reports\nabout: x\nbase: d\nvalues: {service: PV1-10}\n"
    assert told(folder(tmp_path / "more", c=wrong, d=mapping("d"))) == [
        "c.yaml:2: kind: the places in this file are those of admissions: write kind: admissions"
    ]


def test_a_mapping_is_called_as_its_file_is(tmp_path: Path) -> None:
    files = {"a": mapping("b"), "c": mapping("c", base="a"), "d": mapping("d", base="a")}
    assert told(folder(tmp_path, **files)) == ["a.yaml:1: mapping: not the name of the file: write mapping: a"]


@pytest.mark.parametrize("circle", [["a"], ["a", "b"], ["a", "b", "c"]])
def test_bases_in_a_circle_are_told_and_not_followed(tmp_path: Path, circle: list[str]) -> None:
    files = {name: mapping(name, base=circle[(n + 1) % len(circle)]) for n, name in enumerate(circle)}
    found = told(folder(tmp_path, **files))
    assert sorted(found) == [
        f"{name}.yaml:4: base: the bases go round in a circle: take one base out" for name in circle
    ]


def test_the_mistakes_of_all_files_come_at_once_and_each_once(tmp_path: Path) -> None:
    files = {"a": "mapping: a\n", "b": mapping("b", base="a"), "c": mapping("c", values="{servise: PV1-10}")}
    found = read_mapping_folders([folder(tmp_path, **files)])
    assert [(Path(each.file).name, each.path) for each in found.faults] == [
        ("a.yaml", "kind"),
        ("a.yaml", "about"),
        ("c.yaml", "values.servise"),
    ]
    assert {fault.line for fault in found.faults[:2]} == {1}
    assert found.broken == {"a", "c"}
    assert list(found.mappings) == ["b"]


def test_no_mistake_of_a_file_hides_what_does_not_fit_between_files(tmp_path: Path) -> None:
    text = "mapping: ourz\nkind: admissions\nabuot: x\nbase: comon\nvalues: {servise: PV1-10}\n"
    assert [each.split(": ")[:2] for each in told(folder(tmp_path, ours=text, common=mapping("common")))] == [
        ["ours.yaml:1", "mapping"],
        ["ours.yaml:3", "abuot"],
        ["ours.yaml:4", "base"],
        ["ours.yaml:5", "values.servise"],
    ]


def tables(path: Path, **texts: str) -> Path:
    (path / "tables").mkdir()
    for name, text in texts.items():
        (path / "tables" / f"{name}.csv").write_text(text)
    return path


def test_a_broken_table_is_told_beside_the_mappings_and_not_called_missing(tmp_path: Path) -> None:
    folder(tmp_path, a=mapping("a", values="{patient.sex: {at: PID-8, table: sexes}}"))
    assert [each.partition(": ")[0] for each in told(tables(tmp_path, sexes="code,means\nF\n"))] == ["sexes.csv:2"]


def test_a_row_that_two_mappings_cannot_use_is_told_once_with_its_file_and_line(tmp_path: Path) -> None:
    values = "{patient.sex: {at: PID-8, table: sexes}}"
    folder(tmp_path, a=mapping("a", values=values), b=mapping("b", values=values))
    assert told(tables(tmp_path, sexes="code,means\nF,female\nW,woman\n")) == [
        "sexes.csv:3: means: patient.sex cannot be this: write one of: female, male, other, unknown"
    ]


def test_a_file_that_would_be_passed_over_is_told(tmp_path: Path) -> None:
    folder(tmp_path)
    (tmp_path / "ours.yml").write_text(mapping("ours"))
    assert told(tmp_path) == ["ours.yml:None: : not read, because its name ends in .yml: call it ours.yaml"]


def test_what_cannot_be_read_is_told_and_stops_nothing_else(tmp_path: Path) -> None:
    folder(tmp_path, good=mapping("good"))
    (tmp_path / "latin.yaml").write_bytes(b"about: \xe9\n")
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "latin.csv").write_bytes(b"code,means\nF,\xe9\n")
    assert sorted(told(tmp_path)) == [
        "folder.yaml:None: : a folder, not a file: name the file in it",
        "latin.csv:2: : not UTF-8 text: save the file as UTF-8",
        "latin.yaml:1: : not UTF-8 text: save the file as UTF-8",
    ]
    assert list(read_mapping_folders([tmp_path]).mappings) == ["good"]


def test_a_folder_that_is_not_there_holds_nothing(tmp_path: Path) -> None:
    assert read_mapping_folders([tmp_path / "nothing"]).mappings == {}


# ── a name that no folder holds ────────────────────────────────────────────────────────────────────


def test_where_was_looked_and_what_was_meant_is_told(tmp_path: Path) -> None:
    found = read_mapping_folders([folder(tmp_path / "own", a=mapping("north-gate")), tmp_path / "other"])
    own, other = tmp_path / "own", tmp_path / "other"
    missing = found.find_mistake(("feeds", 0, "mapping"), "zzzzzz")
    assert missing == Mistake(
        ("feeds", 0, "mapping"),
        f"no mapping zzzzzz in {own} or {other} (there is no such folder)",
        f"bring the region's own mappings along to {other}",
    )
    assert found.find_mistake((), "a") is None


def test_a_near_name_and_a_folder_left_behind_are_both_told(tmp_path: Path) -> None:
    own = tmp_path / "mappings"
    missing = read_mapping_folders([own, shipped("mappings")]).find_mistake((), "band-in-pid4")
    assert missing is not None
    assert missing.remedy == f"did you mean band-in-pid3? Or bring the region's own mappings along to {own}"


def test_a_name_like_no_other_is_written_or_chosen(tmp_path: Path) -> None:
    missing = read_mapping_folders([folder(tmp_path)]).find_mistake((), "zzzzzz")
    assert missing is not None
    assert missing.remedy == "copy or write it there, or name one that bandgate mapping list shows"
