"""A large data set in parts: nothing is lost or moved, and every part is a data set with its Headers."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.care_reports import NAMESPACE
from gateway.adapters.report_parts import Part, parts, whole
from gateway.adapters.report_payload import Limits, payload
from gateway.errors import TooLarge, UnreadableMessage
from tests.care_reports import custom_element, data_set, header, report

IN = f"{{{NAMESPACE}}}"
PADDING = "<eNarrative><eNarrative.01>" + "x" * 100_000 + "</eNarrative.01></eNarrative>"


def cut(data: bytes, size: int = 2_000_000, limits: Limits | None = None) -> list[Part]:
    return list(parts(payload(data, limits or Limits()), size=size))


def placed(found: list[Part]) -> list[tuple[int, int, str]]:
    """Header number, report number and report number text of every report, as the locations would have them."""
    told = []
    for part in found:
        root = etree.fromstring(part.data)
        for h, head in enumerate(root.iterchildren(f"{IN}Header")):
            for r, each in enumerate(head.iterchildren(f"{IN}PatientCareReport")):
                number = part.reports + r + 1 if h == 0 else r + 1
                told.append((part.headers + h + 1, number, each.findtext(f".//{IN}eRecord.01") or ""))
    return told


@settings(max_examples=25, deadline=None)
@given(
    counts=st.lists(st.integers(0, 6), min_size=1, max_size=5).filter(any), size=st.sampled_from([1, 300_000, 10**9])
)
def test_every_report_comes_once_under_its_own_number(counts: list[int], size: int) -> None:
    headers = [
        header(*(report(PADDING, number=f"{h}-{r}") for r in range(count)), agency=f"A{h}")
        for h, count in enumerate(counts)
    ]
    found = cut(data_set(*headers), size)
    expected = [(h + 1, r + 1, f"{h}-{r}") for h, count in enumerate(counts) for r in range(count)]
    assert placed(found) == expected
    for part in found:
        for head in etree.fromstring(part.data).iterchildren(f"{IN}Header"):
            if (number := head.findtext(f".//{IN}eRecord.01")) is None:
                continue  # stands for one without reports, which is invalid
            assert head.findtext(f".//{IN}dAgency.02") == f"A{number.partition('-')[0]}"


def test_a_part_has_what_its_header_defines_and_what_the_root_says() -> None:
    data = data_set(
        header(
            report(PADDING),
            report(PADDING),
            report(PADDING),
            custom=f"<eCustomConfiguration>{custom_element('c.1', 'Band')}</eCustomConfiguration>",
        )
    )
    found = cut(data, 1)
    assert len(found) > 1
    for part in found:
        root = etree.fromstring(part.data)
        assert root.find(f".//{IN}eCustomConfiguration") is not None
        assert root.attrib == etree.fromstring(data).attrib


def test_a_small_file_is_one_part_in_utf_8_whatever_it_was_in() -> None:
    text = "<eNarrative><eNarrative.01>Ærø</eNarrative.01></eNarrative>"
    for encoding in ("UTF-8", "ISO-8859-1", "UTF-16"):
        (part,) = cut(data_set(header(report(text)), encoding=encoding))
        assert "Ærø" in part.data.decode("utf-8")
        (one,) = whole(payload(data_set(header(report(text)), encoding=encoding), Limits()))
        assert "Ærø" in one.data.decode("utf-8")


def test_what_cannot_be_read_is_refused_as_elsewhere() -> None:
    with pytest.raises(UnreadableMessage, match="well-formed"):
        cut(data_set(header(report("<a>"))))
    with pytest.raises(UnreadableMessage, match="does not stand in a Header"):
        cut(data_set(report()))
    with pytest.raises(TooLarge):
        list(parts(payload(data_set(header(report("<a/>" * 100_000))), Limits()), limits=Limits(marks=1000)))
