"""Reading EMS data sets report by report: where each stands, what its Header says, and what a broken file gives."""

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from lxml import etree

from gateway.adapters.care_reports import ReportDocument, line_of, reports
from gateway.adapters.report_payload import PIECE, Limits
from gateway.errors import SenderFault, TooLarge, UnreadableMessage
from tests.care_reports import custom_element, custom_result, data_set, header, report

SAMPLES = Path(__file__).parents[3] / "shared" / "standards" / "nemsis" / "samples"
NS = "{http://www.nemsis.org}"


class Trickle:
    """A payload that comes a few bytes at a time, as over a slow connection."""

    def __init__(self, data: bytes, step: int) -> None:
        self._data, self._step, self._at = data, step, 0

    def read(self, size: int, /) -> bytes:
        start, self._at = self._at, self._at + min(size, self._step)
        return self._data[start : self._at]


def numbers(source: bytes | Trickle) -> list[str]:
    return [document.element.findtext(f"{NS}eRecord/{NS}eRecord.01", "") for document in reports(source)]


def broken(source: bytes, limits: Limits | None = None) -> tuple[int, SenderFault]:
    """How many reports are given back before the fault, and the fault."""
    given = 0
    try:
        for _ in reports(source, limits=limits or Limits()):
            given += 1
    except SenderFault as fault:
        return given, fault
    raise AssertionError("nothing was wrong")


def two_agencies() -> bytes:
    return data_set(
        header(report(number="A-1"), report(number="A-2"), agency="HP01"),
        header(agency="EMPTY"),
        header(report(number="B-1"), agency="SK01"),
    )


def test_several_headers_and_reports_each_know_their_place() -> None:
    """NEMSIS 3.5.1 XSD: Header and PatientCareReport are both 1:*. A Header without report is not valid, but counts."""
    found = [(document.path, document.header.text("dAgency.02")) for document in reports(two_agencies())]
    assert found == [
        ("/EMSDataSet/Header[1]/PatientCareReport[1]", "HP01"),
        ("/EMSDataSet/Header[1]/PatientCareReport[2]", "HP01"),
        ("/EMSDataSet/Header[3]/PatientCareReport[1]", "SK01"),
    ]


def long_file(count: int, filler: str = "") -> bytes:
    return data_set(header(*(report(f"<eNarrative>{filler}</eNarrative>", number=f"R-{n:05d}") for n in range(count))))


def test_a_long_file_is_read_in_steps_with_the_same_result() -> None:
    data = long_file(3000, filler="<eNarrative.01>calm</eNarrative.01>")
    assert len(data) > 2 * PIECE
    found = [(document.number, document.path_of(document.element[0][0])) for document in reports(data)]
    assert found[-1] == (3000, "/EMSDataSet/Header[1]/PatientCareReport[3000]/eRecord/eRecord.01")
    assert [number for number, _ in found] == list(range(1, 3001))
    assert numbers(Trickle(data, 4099)) == [f"R-{n:05d}" for n in range(3000)]


def test_headers_are_counted_the_same_way_in_a_long_file() -> None:
    padding = header(*(report(f"<eNarrative>{'x' * 500}</eNarrative>") for _ in range(1000)))
    data = data_set(padding, header(agency="EMPTY"), header(report(number="LAST"), agency="SK01"))
    *_, last = reports(data)
    assert (last.path, last.header.text("dAgency.02")) == ("/EMSDataSet/Header[3]/PatientCareReport[1]", "SK01")


@pytest.mark.parametrize("step", [1, 7, 64])
def test_a_trickle_reads_like_the_whole(step: int) -> None:
    assert numbers(Trickle(two_agencies(), step)) == numbers(two_agencies()) == ["A-1", "A-2", "B-1"]


def test_comments_instructions_and_cdata_do_not_cut_a_text() -> None:
    """XML 1.0: comments may stand everywhere; a CDATA section is text (NEMSIS files do carry comments in values)."""
    data = data_set(header(report(number="HP<!-- no -->-<?x y?>7<![CDATA[&]]>&#65;")))
    assert numbers(data) == ["HP-7&A"]


def test_lines_are_those_of_the_file() -> None:
    data = data_set("<!--\n\n-->", header(report("<eNarrative>\n<eNarrative.01>calm</eNarrative.01></eNarrative>")))
    lines = data.decode().splitlines()
    (document,) = reports(data)
    for element in document.element.iterdescendants():
        assert str(element.tag).rpartition("}")[2] in lines[(line_of(element) or 0) - 1]


def test_lines_hold_far_down_a_long_file() -> None:
    """libxml2 keeps 16 bits for an element's line; beyond, only what is certain is told."""
    data = long_file(18_000)
    lines = data.decode().splitlines()
    assert len(lines) > 70_000
    *_, last = reports(data)
    record = last.element[0][0]
    assert "R-17999" in lines[(line_of(record) or 0) - 1]


@pytest.mark.parametrize(
    ("schema", "national", "version"),
    [
        ("https://nemsis.org/media/nemsis_v3/3.5.1.250403CP1/XSDs/NEMSIS_XSDs/x.xsd", False, "3.5.1"),
        ("https://nemsis.org/media/nemsis_v3/3.5.1.250403CP1/XSDs/NEMSIS_NAT_XSDs/x.xsd", True, "3.5.1"),
        ("http://nemsis.org/media/nemsis_v3/release-3.5.0/XSDs/x.xsd", False, "3.5.0"),
        ("", False, ""),
    ],
)
def test_the_schema_location_tells_national_exports(schema: str, national: bool, version: str) -> None:
    """The forms are those of the standard's samples; NAT is what its own compliance service looks for."""
    (document,) = reports(data_set(header(report()), location=f"http://www.nemsis.org {schema}"))
    assert (document.national, document.version) == (national, version)


def test_custom_elements_belong_to_their_own_header() -> None:
    """NEMSIS custom elements guide: a configuration holds for the reports of its Header only."""
    config = f"<eCustomConfiguration>{custom_element('cePatient.Band', 'Patient Band ID')}</eCustomConfiguration>"
    results = f"<eCustomResults>{custom_result('cePatient.Band', ['one', 'two'])}</eCustomResults>"
    first, second = reports(data_set(header(report(results), custom=config), header(report(results))))
    (defined,), (undefined,) = _results(first), _results(second)
    assert defined == ("cePatient.Band", ["one", "two"], "Patient Band ID")
    assert undefined == ("cePatient.Band", ["one", "two"], None)
    assert first.header.find_custom("Patient Band ID") == "cePatient.Band"
    assert second.header.find_custom("Patient Band ID") is None


def _results(document: ReportDocument) -> Iterator[tuple[str, list[str | None], str | None]]:
    for result in document.custom_results():
        title = result.definition.title if result.definition else None
        yield result.element_id, [value.text for value in result.values], title


def test_a_correlation_leads_to_its_element_within_the_report() -> None:
    """The worked example of grouped custom results: an issuer that belongs to a band (NEMSIS custom elements guide)."""
    results = (
        "<eCustomResults>"
        + custom_result("cePatient.Band", ["x"], correlation="band-1")
        + custom_result("cePatient.BandIssuer", ["y"], about="band-1")
        + custom_result("cePatient.BandIssuer", ["z"], about="nowhere")
        + "</eCustomResults>"
    )
    (document,) = reports(data_set(header(report(results))))
    _, issuer, dangling = document.custom_results()
    anchor = document.find_correlated(issuer.about or "")
    assert anchor is not None
    assert document.path_of(anchor).endswith("/eCustomResults/eCustomResults.ResultsGroup[1]")
    assert document.find_correlated(dangling.about or "") is None


def test_paths_are_xpaths_of_the_file() -> None:
    """Each path, evaluated by lxml on the whole file, finds the very element."""
    symptoms = "".join(f"<eSituation.10>{text}</eSituation.10>" for text in "AB")
    inner = f"<eSituation>{symptoms}<eSituation.11>C</eSituation.11></eSituation>"
    data = data_set(header(report(inner), report(inner)), header(report(inner)))
    whole = etree.fromstring(data)
    for document in reports(data):
        for element in document.element.iterdescendants():
            path = document.path_of(element)
            steps = "/".join(f"n:{step}" for step in path.split("/")[1:])
            (found,) = whole.xpath("/" + steps, namespaces={"n": "http://www.nemsis.org"})
            assert (found.tag, found.text, found.sourceline) == (element.tag, element.text, element.sourceline)


BAD = {
    "empty": (b"", "report-xml"),
    "not XML": (b"MSH|^~\\&|", "report-xml"),
    "another root": (b"<ClinicalDocument/>", "report-root"),
    "agency demographics": (b'<DEMDataSet xmlns="http://www.nemsis.org"/>', "report-root"),
    "another namespace": (b"<EMSDataSet><Header><PatientCareReport/></Header></EMSDataSet>", "report-root"),
    "no report": (data_set(header()), "report-empty"),
    "a report outside": (data_set(report()), "report-root"),
    "a report in a report": (data_set(header(report(report()))), "report-root"),
    "NUL": (data_set(header(report("\0"))), "report-xml"),
    "not the encoding it says": (data_set(header(report("Fjörd"))).replace("ö".encode(), b"\xf6"), "report-xml"),
    "depth bomb": (data_set(header("<a>" * 20_000)), "report-too-deep"),
    "undefined entity": (data_set(header(report("&who;"))), "report-xml"),
    "two roots": (two_agencies() + b"<EMSDataSet/>", "report-xml"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_data_set_is_refused_with_its_reason(name: str) -> None:
    data, code = BAD[name]
    _, fault = broken(data)
    assert isinstance(fault, UnreadableMessage)
    assert fault.code == code
    assert fault.remedy


def test_reports_before_a_break_are_given_back_first() -> None:
    whole = data_set(header(report(number="A-1"), report(number="A-2"), report(number="A-3")))
    given, fault = broken(whole[: whole.index(b"A-3")])
    assert (given, fault.code) == (2, "report-xml")
    assert fault.line


def test_reports_before_a_break_are_given_back_from_a_long_file_too() -> None:
    data = long_file(3000).replace(b"R-02500", b"R-<&", 1)
    given, fault = broken(data)
    assert (given, fault.code) == (2500, "report-xml")
    assert fault.line == data[: data.index(b"R-<&")].count(b"\n") + 1


def test_no_fault_quotes_the_file() -> None:
    """Errors name the place, never the value."""
    name = "Marrowby"
    for data in (
        data_set(header(report(f"<ePatient>{name}</ePatients>"))),
        data_set(header(report(f"<ePatient a={name}/>"))),
        data_set(header(report(f"&{name};"))),
        f"<{name}/>".encode(),
    ):
        _, fault = broken(data)
        assert name not in f"{fault} {fault.message} {fault.path} {fault.remedy}"


def test_memory_does_not_grow_with_the_number_of_reports() -> None:
    filler = "".join(f"<eNarrative.0{n}>{'calm ' * 100}</eNarrative.0{n}>" for n in range(1, 9))
    data = long_file(2000, filler)
    assert len(data) > 8_000_000
    given = 0
    tracemalloc.start()
    before, _ = tracemalloc.get_traced_memory()
    for _ in reports(data):
        given += 1
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert given == 2000
    assert peak - before < 4_000_000


def test_a_report_of_endless_elements_is_too_large() -> None:
    _, fault = broken(data_set(header(report("<a/>" * 200_000))), Limits(marks=100_000))
    assert isinstance(fault, TooLarge)
    assert fault.code == "report-too-large"


def test_a_payload_over_the_limit_is_too_large() -> None:
    _, fault = broken(data_set(header(report("x" * 2_000_000))), Limits(size=1_000_000))
    assert isinstance(fault, TooLarge)


def test_an_attachment_of_more_than_ten_megabytes_is_no_fault() -> None:
    """eOther.11 has no limit in the XSD; libxml2 by itself refuses a text of more than 10,000,000 bytes."""
    file = f"<eOther.FileGroup><eOther.11>{'QUJD' * 2_700_000}</eOther.11></eOther.FileGroup>"
    data = data_set(header(report(f"<eOther>{file}</eOther>")))
    assert numbers(data) == ["HP-2026-0042"]


@pytest.mark.skipif(not SAMPLES.exists(), reason="the standard's samples are not beside the project")
def test_every_valid_sample_of_the_standard_is_read() -> None:
    """NEMSIS 3.5.1.250403CP1, the standard's own samples: one report each, two of one UUID (full and national)."""
    files = [path for path in sorted(SAMPLES.glob("*/*.xml")) if path.parent.name != "pretest-fail"]
    read = {path: list(reports(path.read_bytes())) for path in files}
    assert len(read) == 9
    assert all(len(documents) == 1 for documents in read.values())
    national = [path.parent.name for path, (document,) in read.items() if document.national]
    assert national == ["pretest-national"]
