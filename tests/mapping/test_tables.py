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
    assert faults_of(text) == [
        (3, "this code stands on line 2 already"),
        (4, "one column in place of two"),
        (5, "a code and what it means must both be there"),
        (6, "a code and what it means must both be there"),
        (7, "3 columns in place of two"),
    ]


def test_every_fault_names_the_file_and_has_a_remedy() -> None:
    for text in [
        "",
        "code;means\nF;female\n",
        "means,code\nF\n",
        'code,means\nF,F,F\nM\nX,"a',
        "code,means\nF,\nA,b\nA,b",
    ]:
        with pytest.raises(ConfigurationFault) as caught:
            read_table(text, "tables/sex.csv")
        for fault in caught.value.faults:
            assert str(fault).startswith(f"tables/sex.csv:{fault.line}: ")
            assert fault.remedy


@pytest.mark.parametrize("text", ["", "F,female\n", "means,code\n", "code\nF\n"])
def test_without_the_header_there_is_no_table(text: str) -> None:
    assert faults_of(text) == [(1, "the first line must be the header")]


def test_a_wrong_header_hides_no_wrong_row() -> None:
    assert faults_of("code,meaning\nF,female\nM\n") == [
        (1, "the first line must be the header"),
        (3, "one column in place of two"),
    ]


def test_columns_parted_by_semicolons_are_told_once() -> None:
    """As spreadsheets write CSV where the comma is the decimal sign. Common practice, no source."""
    assert faults_of("code;means\nF;female\nM;male\n") == [(1, "the columns are parted by semicolons")]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('code,means\nF,"female\n', 2),
        ('code,means\nF,"fe"male\n', 2),
        ('code,means\nF,female\nM,"male\nX,other\nY,more\n', 3),
        ('code,"means\n', 1),
    ],
)
def test_broken_quotes_are_told_with_the_line_they_begin_on(text: str, line: int) -> None:
    assert faults_of(text) == [(line, "not CSV")]


def test_broken_quotes_hide_no_mistake_above_them() -> None:
    assert [line for line, _ in faults_of('code,means\nF\nM,"male\n')] == [2, 3]


def test_a_row_stands_on_the_line_it_begins_on() -> None:
    table = read_table('code,means\n\nA,"two\nlines"\nB,b\n', "sex.csv")
    assert table.lines == {"A": 3, "B": 5}


def test_rows_that_mean_what_a_value_cannot_be_are_told_in_the_table() -> None:
    table = read_table("code,means\nF,female\nW,woman\n", "tables/sex.csv")
    assert [str(fault) for fault in table.find_misfits("patient.sex", {"female", "male"})] == [
        "tables/sex.csv:3: means: patient.sex cannot be this: write one of: female, male"
    ]
    assert table.find_misfits("patient.sex", {"female", "woman"}) == []


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
