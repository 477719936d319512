"""A data set in parts that rules can be run on, so that a large one takes no more memory than a small one.

A rule processor needs the whole tree of what it looks at. The published rules look at one care report and its Header
at a time (NEMSIS 3.5.1 national Schematron: every context lies in a `PatientCareReport` or is the Header's own), so
a large EMS data set is handed over in parts: its root and Headers, each with some of its reports. A rule that compares
reports sees those of one part. A small file, and every file of demographics, is one part.
"""

import copy
from collections.abc import Iterator
from typing import NamedTuple

from lxml import etree

from gateway.adapters.care_reports import HEADER, REPORT, SAFELY, syntax_fault
from gateway.adapters.report_payload import USUAL, Limits, refused, too_large

PART = 2_000_000  #: bytes of a file that are one part, or a little more; a tree takes some ten times that


class Part(NamedTuple):
    """A data set of its own: `headers` stand before its first, and `reports` before the first of that Header."""

    data: bytes
    headers: int
    reports: int


def whole(pieces: Iterator[bytes]) -> Iterator[Part]:
    """Give back a file as one part."""
    parser = etree.XMLParser(**SAFELY)
    try:
        for piece in pieces:
            parser.feed(piece)
        yield Part(etree.tostring(parser.close(), encoding="UTF-8"), 0, 0)
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None


def parts(pieces: Iterator[bytes], *, size: int = PART, limits: Limits = USUAL) -> Iterator[Part]:
    """Give back an EMS data set in parts of about `size` bytes. Raises `UnreadableMessage` and `TooLarge`."""
    parser = etree.XMLPullParser(events=("end",), tag=REPORT, **SAFELY)
    ended = parser.read_events()
    cut = _Cut()
    taken = waiting = 0
    try:
        for piece in pieces:
            parser.feed(piece)
            taken += len(piece)
            waiting += piece.count(b"<") + piece.count(b"=")
            for _, report in ended:
                waiting = 0
                cut.take(report)
            if waiting > limits.marks:
                raise too_large("a report has more elements than any care report")
            if taken >= size and cut.has_reports:
                taken = 0
                yield cut.part()
        parser.close()
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None
    if cut.has_reports:
        yield cut.part()


class _Cut:
    """Moves reports out of the file being read, each into a Header like its own."""

    def __init__(self) -> None:
        self._within: etree._Element | None = None  # the Header being read, in the file
        self._headers = 0  # how many Headers the file has had, this one counted
        self._reports = 0  # how many reports this Header has had
        self._root: etree._Element | None = None
        self._header: etree._Element | None = None
        self._before = (0, 0)

    @property
    def has_reports(self) -> bool:
        """Whether a part is begun."""
        return self._root is not None

    def take(self, report: etree._Element) -> None:
        """Move a report into the part at hand."""
        header = report.getparent()
        root = header.getparent() if header is not None and header.tag == HEADER else None
        if header is None or root is None:
            raise refused("report-root", message="a PatientCareReport that does not stand in a Header")
        if header is not self._within:
            self._begin(root, header)
        if self._root is None:
            self._root, self._header = etree.Element(root.tag, dict(root.attrib), root.nsmap), None
            self._before = (self._headers - 1, self._reports)
        if self._header is None:
            self._header = etree.SubElement(self._root, HEADER)
            self._header.extend(copy.deepcopy(each) for each in header[: header.index(report)])
        self._header.append(report)
        self._reports += 1

    def _begin(self, root: etree._Element, header: etree._Element) -> None:
        """Come to another Header of the file, and free what stands before it."""
        before = root[: root.index(header)]
        known = self._within is not None  # the Header before this one stands there too, and is counted
        empty = sum(each.tag == HEADER for each in before) - known
        self._headers += empty + 1
        if self._root is not None:
            self._root.extend(etree.Element(HEADER) for _ in range(empty))  # invalid without reports, but they count
        del root[: len(before)]
        self._within, self._reports, self._header = header, 0, None

    def part(self) -> Part:
        """Give back the part at hand, and begin another with the next report."""
        assert self._root is not None
        data = etree.tostring(self._root, encoding="UTF-8")
        self._root = self._header = None
        return Part(data, *self._before)
