"""Code tables: what is read, and that every mistake is told with its line."""

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.tables import read_table, table_name
from gateway.records import Sex

TABLES = Path(__file__).parent.parent.parent / "mappings" / "tables"
CELL = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1).filter(str.strip)


def faults_of(text: str) -> list[tuple[int | None, str]]:
    with pytest.raises(ConfigurationFault) as caught:
        read_table(text, "tables/sex.csv")
    return [(fault.line, fault.message) for fault in caught.value.faults]


def test_a_table_is_named_by_its_file_and_gives_meanings() -> None:
    table = read_table('code,means\nF,female\n09,"admitted, here"\n', "tables/words.csv")
    assert table.name == "words"
    assert table.find_meaning("09") == "admitted, here"
    assert table.find_meaning("9") is None  # leading zeros count


@pytest.mark.parametrize("file", ["sex.csv", "tables/sex.csv", "C:\\mappings\\tables\\sex.csv"])
def test_the_name_of_a_table_is_that_of_its_file(file: str) -> None:
    assert table_name(file) == "sex"


def test_a_byte_order_mark_blank_lines_and_crlf_are_no_content() -> None:
    assert read_table("\ufeffcode,means\r\nF,female\r\n\r\n", "sex.csv").meanings == {"F": "female"}


def test_all_mistakes_are_told_with_their_lines() -> None:
    text = "code,means\nF,female\nF,male\nM\n,nobody\nX,\nO,other,more\n"
    assert [line for line, _ in faults_of(text)] == [3, 4, 5, 6, 7]


@pytest.mark.parametrize("text", ["", "F,female\n", "code;means\n", "means,code\n"])
def test_without_the_header_there_is_no_table(text: str) -> None:
    assert faults_of(text) == [(1, "the first line must be the header")]


@pytest.mark.parametrize("text", ['code,means\nF,"female\n', 'code,means\nF,"fe"male\n'])
def test_broken_quotes_are_told_with_their_line(text: str) -> None:
    assert [line for line, _ in faults_of(text)] == [2]


def test_a_table_too_large_to_be_written_by_hand_is_refused() -> None:
    assert "longer than" in faults_of("code,means\n" + "A,b\n" * 1_200_000)[0][1]


@given(st.dictionaries(CELL.map(str.strip), CELL.map(str.strip)))
def test_what_the_standard_library_writes_is_read_back(meanings: dict[str, str]) -> None:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([("code", "means"), *meanings.items()])
    assert read_table(text.getvalue(), "any.csv").meanings == meanings


@given(st.text())
def test_any_text_is_a_table_or_a_located_fault(text: str) -> None:
    faults: tuple[Fault, ...] = ()
    try:
        read_table("code,means\n" + text, "any.csv")
    except ConfigurationFault as error:
        faults = error.faults
    assert all(fault.file == "any.csv" and fault.line for fault in faults)


def test_the_shipped_table_of_sexes_is_that_of_v2_to_fhir() -> None:
    """The v2-to-FHIR concept map of table 0001 to administrative-gender, of which this is a copy by hand."""
    published = Path(__file__).parents[3] / "shared/standards/v2-to-fhir/codesystems/AdministrativeSex.csv"
    if not published.is_file():
        pytest.skip("the v2-to-FHIR mapping tables are not beside this checkout")
    rows = list(csv.reader(published.read_text(encoding="utf-8-sig").splitlines()))[2:]
    expected = {row[0]: row[6] for row in rows if row[2] == "HL70001" and row[6]}
    table = read_table((TABLES / "sex-hl7.csv").read_text(encoding="utf-8"), "sex-hl7.csv")
    assert table.meanings == expected
    assert {Sex(word) for word in table.meanings.values()} <= set(Sex)


def test_every_shipped_table_is_read() -> None:
    for path in sorted(TABLES.glob("*.csv")):
        assert read_table(path.read_text(encoding="utf-8"), path.name).meanings
