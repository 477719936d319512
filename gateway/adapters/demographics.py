"""NEMSIS agency demographics (`DEMDataSet`, requestDataSchema 62), read one agency at a time in bounded memory.

A `DemographicReport` tells of one agency under one number. Read as carefully as care reports are
(`gateway.adapters.care_reports`), and as they are looked up by name, wherever the version puts them: a facility is
whatever holds a dFacility.02, .03 or .05, and of its kind is what dFacility.01 says beside or above it. A nil element
is no value.
"""

from collections.abc import Iterator

from lxml import etree

from gateway.adapters.care_reports import NAMESPACE, SAFELY, line_of, syntax_fault
from gateway.adapters.report_checks import DataSet
from gateway.adapters.report_payload import USUAL, Limits, Readable, payload, refused, too_large
from gateway.errors import UnreadableMessage
from gateway.records.demographics import Agency, Facility, Station

_IN = f"{{{NAMESPACE}}}"
REPORT = f"{_IN}DemographicReport"
_SCHEMA_LOCATION = "{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"


def agencies(source: bytes | Readable, *, limits: Limits = USUAL) -> Iterator[Agency]:
    """Give back the agencies of a demographic data set, in order.

    Raises `UnreadableMessage` with `report-xml`, `report-encoding`, `report-doctype`, `report-root`,
    `report-too-deep` or `report-no-agency`, where no agency is told of or one has no number; `TooLarge` with
    `report-too-large`. Some agencies may have been given back before a fault is met.
    """
    parser = etree.XMLPullParser(events=("end",), tag=REPORT, **SAFELY)
    ended = parser.read_events()
    count = waiting = 0
    try:
        for piece in payload(source, limits, DataSet.DEMOGRAPHICS):
            parser.feed(piece)
            waiting += piece.count(b"<") + piece.count(b"=")
            for _, report in ended:
                waiting, count = 0, count + 1
                yield _agency(report, f"/DEMDataSet/DemographicReport[{count}]")
                _free(report)
            if waiting > limits.marks:
                raise too_large("an agency has more elements than any agency")
        parser.close()
    except etree.XMLSyntaxError as error:
        raise syntax_fault(error, parser) from None
    if not count:
        raise refused("report-no-agency", path="/DEMDataSet", message="no DemographicReport in the file")


def _agency(report: etree._Element, path: str) -> Agency:
    root = report.getparent()
    return Agency(
        state_id=_text(report, "dAgency.01") or "",
        number=_needed(report, "dAgency.02", path),
        name=_text(report, "dAgency.03"),
        state=_needed(report, "dAgency.04", path),
        national_ids=_texts(report, "dAgency.25"),
        facilities=tuple(_facility(each) for each in _holding(report, "dFacility.02", "dFacility.03", "dFacility.05")),
        stations=tuple(_station(each) for each in _holding(report, "dLocation.02", "dLocation.03")),
        is_partial=root is not None and "NAT" in root.get(_SCHEMA_LOCATION, ""),
    )


def _facility(group: etree._Element) -> Facility:
    above = group.getparent()
    kind = _child(group, "dFacility.01") or (_child(above, "dFacility.01") if above is not None else None)
    return Facility(
        uuid=_uuid(group),
        kind=kind,
        name=_child(group, "dFacility.02"),
        code=_child(group, "dFacility.03"),
        national_ids=tuple(filter(None, map(_value, group.iterchildren(f"{_IN}dFacility.05")))),
        state=_child(group, "dFacility.09"),
    )


def _station(group: etree._Element) -> Station:
    return Station(
        uuid=_uuid(group),
        kind=_child(group, "dLocation.01"),
        name=_child(group, "dLocation.02"),
        number=_child(group, "dLocation.03"),
    )


def _holding(report: etree._Element, *names: str) -> list[etree._Element]:
    """The elements that hold one of these, in document order."""
    found: dict[etree._Element, None] = {}
    for each in report.iter([_IN + name for name in names]):
        above = each.getparent()
        if above is not None and _value(each):
            found[above] = None
    return list(found)


def _needed(report: etree._Element, name: str, path: str) -> str:
    text = _text(report, name)
    if text is None:
        raise _no_agency(report, f"{path}/dAgency/{name}")
    return text


def _no_agency(report: etree._Element, path: str) -> UnreadableMessage:
    return refused("report-no-agency", path=path, line=line_of(report))


def _text(report: etree._Element, name: str) -> str | None:
    return next(iter(_texts(report, name)), None)


def _texts(report: etree._Element, name: str) -> tuple[str, ...]:
    return tuple(filter(None, map(_value, report.iter(_IN + name))))


def _child(parent: etree._Element, name: str) -> str | None:
    found = parent.find(_IN + name)
    return None if found is None else _value(found)


def _value(element: etree._Element) -> str | None:
    return (element.text or "").strip() or None


def _uuid(group: etree._Element) -> str | None:
    return group.get("UUID", "").strip().lower() or None


def _free(report: etree._Element) -> None:
    """Let go of what has been read."""
    root = report.getparent()
    if root is None:
        raise refused("report-root", message="a DemographicReport that is not within a DEMDataSet")
    del root[: root.index(report)]
    report.clear()
