"""Where in a file certain elements stand: line and column of the tag, and the XPath to it.

libxml2 keeps a line number in 16 bits and no column, and with them the whole tree. So the places of the few elements
that something is to be said about are found by going through the file once more with expat, which knows them exactly
and keeps nothing. Elements are known by their number: the count of start tags before theirs. What comes here has
passed the search for a DOCTYPE (`gateway.adapters.report_payload`), so no entity is declared in it.
"""

from collections.abc import Iterator, Set
from typing import NamedTuple
from xml.parsers import expat

from gateway.adapters.care_reports import NUMBERED


class Place(NamedTuple):
    """Where an element stands: `name` without namespace, line and column (characters) of its tag from 1, the XPath."""

    name: str
    line: int
    column: int
    path: str


class _Step(NamedTuple):
    """One element on the way to another: `number` among the `alike` children of its parent, from 1."""

    tag: str
    number: int
    alike: dict[str, int]

    def __str__(self) -> str:
        namespace, _, name = self.tag.rpartition(" ")
        several = self.alike[self.tag] > 1 or f"{{{namespace}}}{name}" in NUMBERED
        return f"{name}[{self.number}]" if several else name


def find_places(pieces: Iterator[bytes], numbers: Set[int]) -> dict[int, Place]:
    """Give back the places of the elements with these numbers; what is not well-formed ends the search."""
    search = _Search(numbers)
    try:
        for piece in pieces:
            search.parser.Parse(piece, False)
    except expat.ExpatError:  # what stands behind the break was never looked at: see what came before
        return search.places()
    return search.places()


class _Search:
    """One walk through a file; a step is named only at the end, when it is known whether it has siblings alike."""

    def __init__(self, numbers: Set[int]) -> None:
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self._wanted = numbers
        self._count = 0
        self._way: list[_Step] = []
        self._alike: list[dict[str, int]] = [{}]
        self._found: dict[int, tuple[int, int, tuple[_Step, ...]]] = {}

    def places(self) -> dict[int, Place]:
        """Give back what has been found."""
        return {
            number: Place(way[-1].tag.rpartition(" ")[2], line, column, "/" + "/".join(map(str, way)))
            for number, (line, column, way) in self._found.items()
        }

    def _start(self, tag: str, _attributes: object) -> None:
        alike = self._alike[-1]
        alike[tag] = alike.get(tag, 0) + 1
        self._way.append(_Step(tag, alike[tag], alike))
        self._alike.append({})
        if self._count in self._wanted:
            line, column = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1
            self._found[self._count] = (line, column, tuple(self._way))
        self._count += 1

    def _end(self, _tag: str) -> None:
        self._way.pop()
        self._alike.pop()
