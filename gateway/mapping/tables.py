"""Code tables: what a source's codes mean, as CSV files that people keep.

A table has the header `code,means` and one code a row. Codes are text and are compared exactly, case and
leading zeros included; blanks around them are not part of them. Text in, table out: no file is read here.
"""

import csv
import io
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, field

from gateway.errors import ConfigurationFault, Fault

HEADER = ["code", "means"]
LIMIT = 4 * 1024 * 1024  # no table that people keep by hand is larger


@dataclass(frozen=True, slots=True)
class CodeTable:
    """A table of codes, called by the name of its file without `.csv`; `lines` tells where each code stands in it."""

    name: str
    meanings: Mapping[str, str]
    file: str = ""
    lines: Mapping[str, int] = field(default_factory=dict)

    def find_meaning(self, code: str) -> str | None:
        """Give back what the code means, or None when the table does not have it."""
        return self.meanings.get(code)

    def find_misfits(self, value: str, meanings: Set[str]) -> list[Fault]:
        """Give back a fault for each row that means something `value` of a record cannot be: only `meanings`."""
        remedy = f"write one of: {', '.join(sorted(meanings))}"
        return [
            Fault(self.file or self.name, self.lines.get(code), "means", f"{value} cannot be this", remedy)
            for code, meaning in self.meanings.items()
            if meaning not in meanings
        ]


def read_table(text: str, file: str) -> CodeTable:
    """Give back the table in the CSV `text`.

    `file` is the name shown in faults, and names the table. Raises `ConfigurationFault` with every mistake.
    """
    if len(text) > LIMIT:
        remedy = "keep the codes that the source sends"
        raise ConfigurationFault([Fault(file, None, "", f"longer than {LIMIT} characters", remedy)])
    rows = _rows(text)
    line, header = next(rows, (1, []))
    faults = [] if header == HEADER else [Fault(file, line, "", *_wrong_header(header))]
    meanings: dict[str, str] = {}
    lines: dict[str, int] = {}
    for line, cells in rows if len(header) == len(HEADER) else ():
        mistake = _mistake(cells, lines)
        if mistake:
            faults.append(Fault(file, line, "", *mistake))
        else:
            code, meanings[code] = cells
            lines[code] = line
    if faults:
        raise ConfigurationFault(faults)
    return CodeTable(table_name(file), meanings, file, lines)


def table_name(file: str) -> str:
    """Give back the name that mappings call a table by: `tables/sex-hl7.csv` is `sex-hl7`."""
    return file.replace("\\", "/").rpartition("/")[2].removesuffix(".csv")


NOT_CSV: list[str] = []  #: in place of the cells of a row that is none; every other row has cells
BROKEN = "not CSV", "check the quotes, from this line on"


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Every row that is not blank, with the line (from 1) on which it begins. A byte order mark is no text.

    Behind a row that is no CSV nothing can be told apart: NOT_CSV stands for all the rest.
    """
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    line = 1
    try:
        for row in reader:
            cells = [cell.strip() for cell in row]
            if any(cells):
                yield line, cells
            line = reader.line_num + 1
    except csv.Error:
        yield line, NOT_CSV


def _wrong_header(cells: list[str]) -> tuple[str, str]:
    if cells is NOT_CSV:
        return BROKEN
    if len(cells) == 1 and ";" in cells[0]:
        return "the columns are parted by semicolons", "save the file with commas"
    return "the first line must be the header", "write code,means"


def _mistake(cells: list[str], lines: Mapping[str, int]) -> tuple[str, str] | None:
    if cells is NOT_CSV:
        return BROKEN
    if len(cells) != len(HEADER):
        if len(cells) == 1:
            return "one column in place of two", "write code,means"
        return f"{len(cells)} columns in place of two", "quote a text that holds a comma"
    code, means = cells
    if not code or not means:
        return "a code and what it means must both be there", "fill the row or take it out"
    if code in lines:
        return f"this code stands on line {lines[code]} already", "keep one of the rows"
    return None
