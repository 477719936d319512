"""Code tables: what a source's codes mean, as CSV files that people keep.

A table has the header `code,means` and one code a row. Codes are text and are compared exactly, case and
leading zeros included; blanks around them are not part of them. Text in, table out: no file is read here.
"""

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from gateway.errors import ConfigurationFault, Fault

HEADER = ["code", "means"]
LIMIT = 4 * 1024 * 1024  # no table that people keep by hand is larger


@dataclass(frozen=True, slots=True)
class CodeTable:
    """A table of codes, called by the name of its file without `.csv`."""

    name: str
    meanings: Mapping[str, str]

    def find_meaning(self, code: str) -> str | None:
        """Give back what the code means, or None when the table does not have it."""
        return self.meanings.get(code)


def read_table(text: str, file: str) -> CodeTable:
    """Give back the table in the CSV `text`.

    `file` is the name shown in faults, and names the table. Raises `ConfigurationFault` with every mistake.
    """
    meanings: dict[str, str] = {}
    faults: list[Fault] = []
    for line, row in _rows(text, file):
        mistake = _mistake(row, meanings)
        if mistake:
            faults.append(Fault(file, line, "", *mistake))
        else:
            meanings[row[0].strip()] = row[1].strip()
    if faults:
        raise ConfigurationFault(faults)
    return CodeTable(table_name(file), meanings)


def table_name(file: str) -> str:
    """Give back the name that mappings call a table by: `tables/sex-hl7.csv` is `sex-hl7`."""
    return file.replace("\\", "/").rpartition("/")[2].removesuffix(".csv")


def _rows(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    """The rows below the header with their line (from 1), blank lines left out. A byte order mark is no text."""
    if len(text) > LIMIT:
        raise ConfigurationFault([Fault(file, None, "", f"longer than {LIMIT} characters")])
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        header = next(reader, [])
        if [name.strip() for name in header] != HEADER:
            raise ConfigurationFault([Fault(file, 1, "", "the first line must be the header", ",".join(HEADER))])
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as error:
        raise ConfigurationFault(
            [Fault(file, reader.line_num, "", "not CSV", "check the quotes on this line")]
        ) from error


def _mistake(row: list[str], known: Mapping[str, str]) -> tuple[str, str] | None:
    if len(row) != len(HEADER):
        return f"{len(row)} columns instead of {len(HEADER)}", "quote a text that holds a comma"
    code, means = (cell.strip() for cell in row)
    if not code or not means:
        return "a code and what it means must both be there", "fill the row or take it out"
    if code in known:
        return "this code stands further up already", "keep one of the rows"
    return None
