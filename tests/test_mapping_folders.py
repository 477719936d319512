"""Folders of mappings: what goes before what, bases, and every mistake of every file at once."""

from pathlib import Path

import pytest

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
        "ours.yaml:4: base: no such mapping: did you mean common?"
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
    assert found.broken == {"a", "c"}
    assert list(found.mappings) == ["b"]


def test_a_broken_table_is_told_beside_the_mappings(tmp_path: Path) -> None:
    (folder(tmp_path) / "tables").mkdir()
    (tmp_path / "tables" / "sexes.csv").write_text("code,means\nF\n")
    assert told(tmp_path)[0].startswith("sexes.csv:2: ")


def test_what_cannot_be_read_is_told_and_stops_nothing_else(tmp_path: Path) -> None:
    folder(tmp_path, good=mapping("good"))
    (tmp_path / "latin.yaml").write_bytes(b"about: \xe9\n")
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "latin.csv").write_bytes(b"code,means\nF,\xe9\n")
    assert sorted(told(tmp_path)) == [
        "folder.yaml:None: : cannot be read: IsADirectoryError: save it as UTF-8 text",
        "latin.csv:None: : cannot be read: UnicodeDecodeError: save it as UTF-8 text",
        "latin.yaml:None: : cannot be read: UnicodeDecodeError: save it as UTF-8 text",
    ]
    assert list(read_mapping_folders([tmp_path]).mappings) == ["good"]


def test_a_folder_that_is_not_there_holds_nothing(tmp_path: Path) -> None:
    assert read_mapping_folders([tmp_path / "nothing"]).mappings == {}
