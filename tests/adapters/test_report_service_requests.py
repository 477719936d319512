"""Requests of the report web service, read in pieces. Outside: the NEMSIS V3 core WSDL (elements, lengths), SOAP 1.1
(sections 3, 4.2.3, 4.4), WS-I Basic Profile 1.1 (R1011), XML 1.0, RFC 7303 (charset); payloads are compared with
lxml's reading.
"""

import codecs
import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.report_service import Operation, RequestFault
from gateway.adapters.report_service_requests import (
    DEEPEST,
    LARGEST_ENVELOPE,
    LARGEST_MARK,
    LONGEST_TEXT,
    Credentials,
    RequestReader,
    ServiceRequest,
)
from gateway.errors import SenderFault, TooLarge
from tests.service import PASSWORD, REPORT, SOAP, data_set, envelope, request

XSI = "http://www.w3.org/2001/XMLSchema-instance"


def read(
    message: bytes,
    operation: Operation = Operation.SUBMIT,
    *,
    step: int = 1 << 30,
    largest: int = 1 << 30,
    charset: str | None = None,
) -> tuple[ServiceRequest, bytes, Credentials | None]:
    reader = RequestReader(operation, largest=largest, charset=charset)
    payload = b"".join(reader.receive(message[at : at + step]) for at in range(0, len(message), step))
    sent, rest = reader.close()
    return sent, payload + rest, reader.credentials


def refuse(message: bytes, operation: Operation = Operation.SUBMIT, **more: object) -> RequestFault:
    with pytest.raises(RequestFault) as caught:
        read(message, operation, **more)  # type: ignore[arg-type]
    return caught.value


# ── what is read ───────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("step", [1, 7, 1000, 1 << 30])
def test_a_submission_is_read_the_same_in_any_pieces(step: int) -> None:
    sent, payload, credentials = read(request(), step=step)
    assert payload == data_set(REPORT)
    assert credentials == ("harrow", PASSWORD, "HPA")
    assert sent == ServiceRequest(Operation.SUBMIT, "SubmitData", "61", "3.5.1", None, has_payload=True)


def test_the_other_operations_are_read() -> None:
    sent, payload, _ = read(request("RetrieveStatus", requestHandle="h 1"), Operation.RETRIEVE)
    assert (sent.handle, sent.request_type, payload) == ("h 1", "RetrieveStatus", b"")
    sent, _, credentials = read(request("QueryLimit", username="o'neill & söhne"), Operation.LIMIT)
    assert credentials is not None
    assert credentials.username == "o'neill & söhne"
    assert not sent.has_payload


def test_credentials_are_there_before_any_of_the_payload() -> None:
    """NEMSIS V3 web services guide: the credentials come first in the body."""
    message = request()
    start = message.index(b"<ws:submitPayload>")
    reader = RequestReader(Operation.SUBMIT, largest=1 << 30)
    assert reader.receive(message[: start - 80]) == b""
    assert reader.receive(message[start - 80 : start]) == b""
    assert reader.credentials is not None
    assert PASSWORD not in repr(reader.credentials)


@pytest.mark.parametrize(
    "root",
    [
        b"<a/>",
        b"<a />",
        b"<a></a >",
        b"<a\n>t</a\n>",
        b"<a b='>'/>",
        b"<a><!-- </a> --><![CDATA[</a>]]></a>",
        b"<a><?x </a>?></a>",
    ],
)
@pytest.mark.parametrize("behind", [b"", b" \n", b"<!-- > -->", b"<?pi >?>", b"<![CDATA[ ]]>", b"&#32;"])
@pytest.mark.parametrize("step", [1, 1 << 30])
def test_the_payload_ends_where_its_root_does(root: bytes, behind: bytes, step: int) -> None:
    assert read(request(payload=b"\n<!-- x -->" + root + behind), step=step)[1] == root


def test_a_prefix_declared_around_the_payload_is_declared_on_its_root() -> None:
    inner = b'<n:EMSDataSet xmlns:own="urn:own"><n:a xsi:nil="true"/></n:EMSDataSet>'
    around = f'xmlns:n="urn:n?a&amp;b" xmlns:xsi="{XSI}" xmlns:own="urn:other" xmlns="urn:plain"'
    message = request(payload=inner).replace(b"<ws:submitPayload>", f"<ws:submitPayload {around}>".encode())
    root = etree.fromstring(read(message)[1])
    assert root.nsmap == {"n": "urn:n?a&b", "xsi": XSI, "own": "urn:own", None: "urn:plain"}
    whole = etree.fromstring(message).find(".//{urn:n?a&b}EMSDataSet")
    assert whole is not None
    assert [each.tag for each in root.iter()] == [each.tag for each in whole.iter()]
    assert root[0].get(f"{{{XSI}}}nil") == "true"


def test_the_same_file_gives_the_same_payload_whatever_the_envelope_calls_its_own() -> None:
    message = request()
    other = message.replace(b"<ws:", b"<q:").replace(b"</ws:", b"</q:").replace(b"xmlns:ws=", b"xmlns:q=")
    assert read(other)[1] == read(message)[1]


@pytest.mark.parametrize(
    "codec", ["utf-8", "utf-16", "utf-16-le", "utf-16-be", "iso-8859-1", "windows-1252", "us-ascii"]
)
@pytest.mark.parametrize("by", ["declaration", "charset"])
@pytest.mark.parametrize("step", [1, 1 << 30])
def test_other_encodings_come_out_as_utf_8(codec: str, by: str, step: int) -> None:
    text = request(payload=b"<a>%s</a>").decode().replace("%s", "x" if codec == "us-ascii" else "é")
    declared = text.replace("UTF-8", codec if by == "declaration" else "UTF-8", 1)
    payload = read(declared.encode(codec), step=step, charset=codec if by == "charset" else None)[1]
    assert payload.decode() == ("<a>x</a>" if codec == "us-ascii" else "<a>é</a>")


def test_a_byte_order_mark_is_taken() -> None:
    assert read(codecs.BOM_UTF8 + request())[1] == data_set(REPORT)


@pytest.mark.parametrize("order", [sorted, lambda names: names[3:4] + names[:3] + names[:3:-1]])
def test_elements_may_stand_in_another_order_where_that_does_no_harm(order: object) -> None:
    def credentials_first(names: list[str]) -> list[str]:
        return sorted(order(names), key=lambda name: name == "submitPayload")  # type: ignore[operator]

    assert read(request(order=credentials_first))[1] == data_set(REPORT)


def test_what_does_not_matter_may_be_absent() -> None:
    sent, payload, _ = read(request(leave_out=["additionalInfo", "requestType"]))
    assert (sent.request_type, payload) == (None, data_set(REPORT))


def test_missing_parameters_are_told_by_none() -> None:
    sent, _, _ = read(request(leave_out=["requestDataSchema", "schemaVersion", "submitPayload"]))
    assert sent == ServiceRequest(Operation.SUBMIT, "SubmitData", None, None, None, has_payload=False)


# ── what is no request ─────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("message", "code", "says"),
    [
        (b"", "Client", "not well-formed XML"),
        (b"hello", "Client", "not well-formed XML"),
        (b"<html/>", "Client", "an element where the WSDL has none such"),
        (envelope(b"", namespace="http://www.w3.org/2003/05/soap-envelope"), "VersionMismatch", "not SOAP 1.1"),
        (envelope(b""), "Client", "there is no SubmitDataRequest"),
        (request()[:-1], "Client", "not well-formed XML"),
        (request() + b"x", "Client", "not well-formed XML"),
        (request(payload=b"<a>"), "Client", "not well-formed XML"),
        (request(payload=b"<p:a/>"), "Client", "not well-formed XML"),
        (request(payload=b"<a>\xff</a>"), "Client", "not well-formed XML"),
        (b'<!DOCTYPE x [<!ENTITY e "e">]>' + envelope(b"&e;")[39:], "Client", "a document type declaration"),
        (request(payload=b"<a/><b/>"), "Client", "an element comes twice"),
        (request(payload=b"text"), "Client", "text where only elements may stand"),
        (request("RetrieveStatus"), "Client", "SOAPAction and request name different operations"),
        (envelope(b"<ws:SearchRequest/>"), "Client", "no operation of this service"),
        (envelope(b"<SubmitDataRequest/>"), "Client", "no operation of this service"),
        (envelope(b"<ws:SubmitDataRequest/>"), "Client", "there is no username, password, organization"),
        (envelope(b"<ws:SubmitDataRequest/><ws:SubmitDataRequest/>"), "Client", "an element comes twice"),
        (request(leave_out=["password"]), "Client", "the payload comes before the credentials"),
        (request(order=lambda names: names[::-1]), "Client", "the payload comes before the credentials"),
        (request().replace(b"<ws:username>", b"<ws:username><b/>"), "Client", "an element where the WSDL has none"),
        (request().replace(b"<ws:password>", b"<ws:username/><ws:password>"), "Client", "username comes twice"),
        (request().replace(b"<ws:password>", b"stray<ws:password>"), "Client", "text where only elements"),
        (request(username="x" * 101), "Client", "username is longer than it may be"),
        (request(additionalInfo="x" * (LONGEST_TEXT + 1)), "Client", "additionalInfo is longer than it may be"),
        (request().replace(b"</s:Body>", b"</s:Body><s:Header/>"), "Client", "the Header stands behind the Body"),
        (request().replace(b"</s:Body>", b"</s:Body><more/>"), "Client", "an element where the WSDL has none such"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("step", [1, 1 << 30])
def test_what_is_no_request_is_a_fault(message: bytes, code: str, says: str, step: int) -> None:
    fault = refuse(message, step=step)
    assert fault.fault_code == code
    assert fault.message.startswith(says)
    assert fault.remedy
    assert PASSWORD not in str(fault)


@pytest.mark.parametrize(
    ("attributes", "code"),
    [
        ('s:mustUnderstand="1"', "MustUnderstand"),
        (f's:mustUnderstand="1" s:actor="{SOAP[:-9]}actor/next"', "MustUnderstand"),
        ('s:mustUnderstand="0"', None),
        ('s:mustUnderstand="1" s:actor="urn:somebody-else"', None),
        ("", None),
    ],
)
def test_a_header_is_passed_over_unless_it_must_be_understood(attributes: str, code: str | None) -> None:
    header = f'<s:Header><w:Security xmlns:w="urn:w" {attributes}><w:Token>deep<a/></w:Token></w:Security></s:Header>'
    message = request().replace(b"<s:Body>", header.encode() + b"<s:Body>", 1)
    if code is None:
        assert read(message)[1] == data_set(REPORT)
    else:
        assert refuse(message).fault_code == code


@pytest.mark.parametrize("codec", ["utf-7", "koi8-r", "utf-32", "no such", "\0", "ebcdic-cp-us", "rot13"])
def test_an_encoding_in_which_markup_could_hide_is_refused(codec: str) -> None:
    assert refuse(request(), charset=codec).message == "a character encoding that is not read"
    if codec.isascii() and codec.isprintable():
        assert refuse(request().replace(b"UTF-8", codec.encode())).message == "a character encoding that is not read"


def test_broken_utf_16_is_a_fault() -> None:
    assert refuse(request().decode().encode("utf-16")[:-1]).message.startswith("the bytes are not in the encoding")


# ── limits ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("step", [1000, 1 << 30])
def test_a_payload_over_the_limit_is_too_large(step: int) -> None:
    size = len(data_set(REPORT))
    assert read(request(), largest=size, step=step)[1] == data_set(REPORT)
    with pytest.raises(TooLarge):
        read(request(), largest=size - 1, step=step)


def test_depth_is_bounded() -> None:
    def nested(depth: int) -> bytes:
        return b"<a>" * depth + b"</a>" * depth

    assert read(request(payload=nested(DEEPEST)))[1] == nested(DEEPEST)
    assert refuse(request(payload=nested(DEEPEST + 1))).message.startswith("nested deeper")
    header = b"<s:Header>" + nested(DEEPEST) + b"</s:Header>"
    assert refuse(request().replace(b"<s:Body>", header + b"<s:Body>", 1)).message.startswith("nested deeper")


@pytest.mark.parametrize("opening", [b"<a b='", b"<!--", b"<?pi ", b"<"])
def test_one_endless_piece_of_markup_is_not_held(opening: bytes) -> None:
    reader = RequestReader(Operation.SUBMIT, largest=1 << 40)
    message = request(payload=b"<x>@</x>")
    reader.receive(message[: message.index(b"@")] + opening)
    with pytest.raises(RequestFault, match="one tag or comment"):
        feed(reader, b"y" * 50_000, 2 * LARGEST_MARK // 50_000)


def feed(reader: RequestReader, data: bytes, times: int) -> None:
    for _ in range(times):
        reader.receive(data)


def test_an_endless_envelope_is_not_read() -> None:
    reader = RequestReader(Operation.SUBMIT, largest=1 << 40)
    reader.receive(f'<s:Envelope xmlns:s="{SOAP}"><s:Header>'.encode())
    with pytest.raises(RequestFault, match="more around the payload"):
        feed(reader, b"<a>y</a>" * 6_250, 2 * LARGEST_ENVELOPE // 50_000)


def test_what_is_held_is_small_however_large_the_payload() -> None:
    message = request(payload=b"<x>@</x>")
    head, tail = message.split(b"@")
    reader = RequestReader(Operation.SUBMIT, largest=1 << 40)
    given = len(reader.receive(head))
    for _ in range(400):
        given += len(reader.receive(b"<e a='b'>text of a report</e>\n" * 2000))
        assert len(reader._gathered) + reader._cut.unread < 200_000
    rest = reader.receive(tail)
    assert given + len(rest) + len(reader.close()[1]) == 400 * 2000 * 30 + len(b"<x></x>")


# ── anything at all ────────────────────────────────────────────────────────────────────────────────

TAGS = st.sampled_from(["a", "n:b", "EMSDataSet"])
TEXTS = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff"), max_size=8
)


def element(children: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    def build(tag: str, value: str, inner: list[str], text: str) -> str:
        quoted = value.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
        content = "".join(inner) + f"<![CDATA[{text.replace(']]>', '')}]]><!-- > -->"
        return f'<{tag} v="{quoted}">{content}</{tag}>'

    return st.builds(build, TAGS, TEXTS, st.lists(children, max_size=3), TEXTS)


@given(st.recursive(st.just("<leaf/>"), element, max_leaves=6), st.integers(1, 300))
def test_any_element_comes_out_as_it_went_in(inner: str, step: int) -> None:
    payload = f'<root xmlns:n="urn:n">{inner}</root>'.encode()
    assert read(request(payload=payload), step=step)[1] == payload


@given(st.binary(max_size=200), st.integers(0, 3000), st.sampled_from(list(Operation)))
def test_whatever_comes_is_a_request_or_a_located_fault(data: bytes, at: int, operation: Operation) -> None:
    message = request(operation)
    for spoilt in (data, message[:at] + data + message[at:], message[:at] + data + message[at + len(data) :]):
        with contextlib.suppress(SenderFault):
            assert read(spoilt, operation, largest=100_000)[0].operation is operation
