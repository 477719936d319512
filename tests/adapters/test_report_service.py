"""Answers of the report web service. Outside: the NEMSIS V3 core WSDL, by its own schema and by zeep, a foreign SOAP
client; SOAP 1.1, section 4.4 (faults)."""

from io import StringIO
from itertools import product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.report_checks import SchemaError
from gateway.adapters.report_service import (
    MOST_REPORTS,
    FaultCode,
    ReportLine,
    Status,
    SubmitReport,
    answer_fault,
    answer_limit,
    answer_retrieve,
    answer_submit,
    write_report,
)
from gateway.adapters.report_service_wsdl import describe
from gateway.findings import finding
from tests.service import OFFICIAL, SERVICE, SOAP, XS, official_schema

WSDL = "{http://schemas.xmlsoap.org/wsdl/}"
SVRL = b'<?xml version="1.0"?>\n<svrl:schematron-output xmlns:svrl="http://purl.oclc.org/dsdl/svrl"/>'
ERROR = SchemaError(description="may not be nil", element="ePatient.02", line=7, xpath="/EMSDataSet/Header[1]")
FULL = SubmitReport(
    server_error="no & yes <",
    total=3,
    errors=(ERROR, SchemaError(description="x", element="y", line=0, column=3, xpath="/y")),
    general=("not well-formed",),
    svrl=(SVRL, SVRL),
    reports=(
        ReportLine('a "quoted" & <odd> name', "kept", (finding("band-missing", path="/EMSDataSet", line=2),)),
        ReportLine("b", "left out"),
    ),
    notes=("no rules are registered",),
)
needs_official = pytest.mark.skipif(not OFFICIAL.exists(), reason="the official WSDL is not beside this checkout")


def body(answer: bytes) -> etree._Element:
    root = etree.fromstring(answer)
    assert root.tag == f"{{{SOAP}}}Envelope"
    assert root[0].tag == f"{{{SOAP}}}Body"
    return etree.fromstring(etree.tostring(root[0][0]))


def schemas() -> list[etree.XMLSchema]:
    """Our own schema, and the official one where it is at hand."""
    own = etree.XMLSchema(etree.fromstring(describe("http://gateway/nemsis")).find(f".//{XS}schema"))
    official = official_schema()
    return [own, official] if official is not None else [own]


# ── answers ────────────────────────────────────────────────────────────────────────────────────────

SUBMIT_CODES = [code for code in Status if code not in {51, -50, -51, -40, -41, -42, -43}]
RETRIEVE_CODES = [code for code in Status if code not in {51, -50, -51}]
LIMIT_CODES = [code for code in Status if code in {51, -50, -51, -1, -2, -3}]


@pytest.mark.parametrize("report", [None, SubmitReport(), FULL])
@pytest.mark.parametrize("schema", schemas())
def test_every_answer_is_valid_with_every_code_of_its_operation(
    schema: etree.XMLSchema, report: SubmitReport | None
) -> None:
    written = None if report is None else write_report(report)
    for code in SUBMIT_CODES:
        schema.assertValid(body(answer_submit("handle", code, written)))
    for code in RETRIEVE_CODES:
        schema.assertValid(body(answer_retrieve("", code, written)))
    for code in LIMIT_CODES:
        schema.assertValid(body(answer_limit(100_000_000, code)))


@pytest.mark.parametrize("schema", schemas())
def test_no_operation_may_answer_with_the_codes_of_another(schema: etree.XMLSchema) -> None:
    """The code sets of the WSDL: SubmitResponseCode, RetrieveResponseCode, QueryLimitResponseCode."""
    for code in set(Status) - set(SUBMIT_CODES):
        assert not schema.validate(body(answer_submit("handle", code)))
    for code in set(Status) - set(LIMIT_CODES):
        assert not schema.validate(body(answer_limit(1, code)))


def test_handle_and_code_stand_in_the_order_of_their_response() -> None:
    assert [each.tag.rpartition("}")[2] for each in body(answer_submit("h", Status.IMPORTED))] == [
        "requestType",
        "requestHandle",
        "statusCode",
    ]
    assert [each.tag.rpartition("}")[2] for each in body(answer_retrieve("h", Status.IMPORTED))] == [
        "requestType",
        "statusCode",
        "requestHandle",
        "originalRequestType",
    ]


def test_the_limit_is_told_in_units_of_1024_bytes_and_a_failure_is_negative() -> None:
    """The WSDL: "expressed in KB (1024 Bytes)", and "negative value indicates error"."""
    told = {code: body(answer_limit(100_000_000, code)).findtext(f"{{{SERVICE}}}limit") for code in LIMIT_CODES}
    assert told.pop(Status.LIMIT_TOLD) == "97656"
    assert all(int(limit or 0) < 0 for limit in told.values())


def test_a_report_says_what_was_found_and_where() -> None:
    found = body(answer_submit("h", Status.INVALID_XML, write_report(FULL)))

    def texts(name: str) -> list[str | None]:
        return [each.text for each in found.iter(f"{{{SERVICE}}}{name}")]

    assert texts("totalErrorCount") == ["3"]
    assert texts("serverErrorMessage") == ["no & yes <"]
    assert texts("desc") == ["may not be nil", "x", "not well-formed"]
    assert (texts("line"), texts("column")) == (["7"], ["3"])
    assert texts("xpathLocation") == ["/EMSDataSet/Header[1]", "/y"]
    assert texts("errorMessage") == ["not well-formed"]
    assert len(list(found.iter("{http://purl.oclc.org/dsdl/svrl}schematron-output"))) == 2
    reports = found.find(".//reports")
    assert reports is not None
    assert [(each.get("name"), each.get("outcome")) for each in reports] == [
        ('a "quoted" & <odd> name', "kept"),
        ("b", "left out"),
    ]
    assert dict(reports[0][0].attrib) == {
        "level": "warning",
        "code": "band-missing",
        "path": "/EMSDataSet",
        "line": "2",
    }
    assert [each.text for each in found.iter("note")] == ["no rules are registered"]


def test_of_very_many_reports_the_first_are_told_and_all_counted() -> None:
    lines = tuple(ReportLine(str(number), "kept") for number in range(MOST_REPORTS + 5))
    reports = body(answer_submit("h", Status.IMPORTED, write_report(SubmitReport(reports=lines)))).find(".//reports")
    assert reports is not None
    assert (len(reports), reports.get("total")) == (MOST_REPORTS, str(MOST_REPORTS + 5))


@pytest.mark.parametrize("code", list(FaultCode))
def test_a_fault_has_the_form_of_soap(code: FaultCode) -> None:
    fault = body(answer_fault(code, "not <this> & that"))
    assert fault.tag == f"{{{SOAP}}}Fault"
    assert [each.tag for each in fault] == ["faultcode", "faultstring"]  # section 4.4: no namespace of their own
    prefix, _, local = str(fault[0].text).partition(":")
    assert (fault.nsmap[prefix], local) == (SOAP, code.value)
    assert fault[1].text == "not <this> & that"


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff")))
def test_whatever_handle_is_echoed_comes_back_unchanged(handle: str) -> None:
    assert body(answer_retrieve(handle, Status.HANDLE_UNKNOWN)).findtext(f"{{{SERVICE}}}requestHandle") == handle


# ── the WSDL ───────────────────────────────────────────────────────────────────────────────────────


def plain(element: etree._Element, names: dict[str, str]) -> Any:
    """A schema element without what carries no meaning: documentation, prefixes, the order of enumerated values."""
    if element.tag in (f"{XS}annotation", etree.Comment):
        return None
    inner = [each for each in (plain(child, names) for child in element) if each is not None]
    if element.tag in (f"{XS}restriction", f"{XS}union"):
        inner.sort(key=repr)
    attributes = {key: _expanded(key, value, element) for key, value in element.attrib.items()}
    defaults = {"minOccurs": "1", "maxOccurs": "1", "attributeFormDefault": "unqualified"}
    kept = sorted((key, value) for key, value in attributes.items() if defaults.get(key) != value)
    return (element.tag, kept, inner)


def _expanded(key: str, value: str, element: etree._Element) -> Any:
    if key not in {"type", "base", "ref", "memberTypes", "message", "element", "binding"}:
        return value.strip()
    return sorted(f"{{{element.nsmap[each.partition(':')[0]]}}}{each.partition(':')[2]}" for each in value.split())


def globals_of(wsdl: etree._Element) -> dict[tuple[str, str], Any]:
    schema = wsdl.find(f".//{XS}schema")
    assert schema is not None
    assert (schema.get("targetNamespace"), schema.get("elementFormDefault")) == (SERVICE, "qualified")
    return {(each.tag, each.get("name", "")): plain(each, {}) for each in schema if isinstance(each.tag, str)}


@needs_official
def test_our_types_are_those_of_the_standard() -> None:
    """All but `SchematronRuleDefinition`, which no message of the official WSDL uses."""
    ours = globals_of(etree.fromstring(describe("http://gateway/nemsis")))
    theirs = globals_of(etree.parse(str(OFFICIAL)).getroot())
    unused = (f"{XS}complexType", "SchematronRuleDefinition")
    assert "tns:SchematronRuleDefinition" not in OFFICIAL.read_text(encoding="utf-8")
    theirs.pop(unused)
    assert sorted(ours) == sorted(theirs)
    for key, definition in theirs.items():
        assert ours[key] == definition, key


@needs_official
@pytest.mark.parametrize("part", ["message", "portType", "binding"])
def test_our_messages_operations_and_actions_are_those_of_the_standard(part: str) -> None:
    def parts(wsdl: etree._Element) -> list[Any]:
        return sorted((plain(each, {}) for each in wsdl.iter(f"{WSDL}{part}")), key=repr)

    assert parts(etree.fromstring(describe("x"))) == parts(etree.parse(str(OFFICIAL)).getroot())


@needs_official
def test_a_foreign_reader_makes_the_same_of_both(tmp_path: Any) -> None:
    import zeep.wsdl

    (tmp_path / "ours.wsdl").write_bytes(describe("http://gateway/nemsis?a=1&b=2"))
    ours, theirs = (
        _dumped(zeep.wsdl.Document(str(each), zeep.Transport())) for each in (tmp_path / "ours.wsdl", OFFICIAL)
    )
    assert ours == [line for line in theirs if not line.startswith("ns0:SchematronRuleDefinition")]


def _dumped(document: Any) -> list[str]:
    from contextlib import redirect_stdout

    with redirect_stdout(StringIO()) as text:
        document.dump()
    return sorted(line.strip() for line in text.getvalue().splitlines())


def test_the_address_is_our_own() -> None:
    address = 'https://gateway.example:8443/nemsis?a=1&b="2"'
    wsdl = etree.fromstring(describe(address))
    (place,) = wsdl.iter("{http://schemas.xmlsoap.org/wsdl/soap/}address")
    assert place.get("location") == address


def test_every_code_of_ours_is_allowed_by_our_own_wsdl() -> None:
    ours = describe("x").decode()
    for code, operation in product(Status, ("value",)):
        assert f'{operation}="{int(code)}"' in ours
