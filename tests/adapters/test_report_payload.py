"""What is let through to the XML parser, and what is not."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.care_reports import reports
from gateway.adapters.report_checks import DataSet
from gateway.adapters.report_payload import Limits, payload
from gateway.errors import SenderFault, UnreadableMessage
from tests.care_reports import data_set, header, report

NS = "{http://www.nemsis.org}"
GOOD = data_set(header(report(number="Fjörd-1"))).decode()
BODY = GOOD.split("?>\n", 1)[1]

LAUGHS = (
    '<?xml version="1.0"?>\n<!DOCTYPE lolz [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>\n' + BODY.replace("Fjörd-1", "&c;")
)
OUTSIDE = '<!DOCTYPE x [<!ENTITY who SYSTEM "file:///etc/hostname">]>' + BODY.replace("Fjörd-1", "&who;")


def code_of(data: bytes) -> str:
    with pytest.raises(UnreadableMessage) as caught:
        list(reports(data))
    return caught.value.code


def number_of(data: bytes) -> str:
    (document,) = reports(data)
    return document.element.findtext(f"{NS}eRecord/{NS}eRecord.01", "")


@pytest.mark.parametrize(
    "text",
    [
        LAUGHS,
        OUTSIDE,
        "<!-- <EMSDataSet> -->\n<!DOCTYPE EMSDataSet>" + BODY,
        "<?pi <EMSDataSet> ?><!-- - - > --><!DOCTYPE x>" + BODY,
        "<?pi?> \n\t<!DOCTYPE x SYSTEM 'http://127.0.0.1:9/x.dtd'>" + BODY,
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_a_doctype_is_refused_wherever_it_hides(text: str, encoding: str) -> None:
    """XML 1.0, 2.8: a document type declaration can only stand before the root element."""
    assert code_of(text.encode(encoding)) == "report-doctype"


def test_a_doctype_is_refused_however_slowly_it_comes() -> None:
    class Trickle:
        def __init__(self) -> None:
            self.left = LAUGHS.encode()

        def read(self, _: int, /) -> bytes:
            first, self.left = self.left[:1], self.left[1:]
            return first

    with pytest.raises(UnreadableMessage) as caught:
        list(reports(Trickle()))
    assert caught.value.code == "report-doctype"


@pytest.mark.parametrize(
    ("declared", "encoding"),
    [
        ("UTF-8", "utf-8"),
        ("utf-8", "utf-8-sig"),
        ("ISO-8859-1", "iso-8859-1"),
        ("windows-1252", "cp1252"),
        ("UTF-16", "utf-16"),
        ("UTF-16", "utf-16-le"),
        ("UTF-16", "utf-16-be"),
        ("UTF-8", "utf-16"),
    ],
)
def test_encodings_that_are_read(declared: str, encoding: str) -> None:
    """XML 1.0, 4.3.3 and appendix F: a byte order mark outranks the declaration."""
    text = f'<?xml version="1.0" encoding="{declared}"?>\n{BODY}'
    assert number_of(text.encode(encoding)) == "Fjörd-1"


@pytest.mark.parametrize("encoding", ["utf-7", "shift_jis", "cp037", "utf-32", "iso2022_jp"])
def test_encodings_in_which_markup_could_hide_are_refused(encoding: str) -> None:
    text = f'<?xml version="1.0" encoding="{encoding}"?>\n{BODY}'.replace("ö", "o")
    assert code_of(text.encode(encoding)) in {"report-encoding", "report-xml", "report-root"}


def test_a_long_declaration_does_not_hide_an_encoding() -> None:
    text = f'<?xml version="1.0" {" " * 60_000} encoding="UTF-7"?>{BODY}'.replace("ö", "o")
    assert code_of(text.encode()) == "report-encoding"


def test_a_file_that_never_begins_is_refused_early() -> None:
    assert code_of(b"<!--" + b"x" * 3_000_000) == "report-root"
    assert code_of(b" " * 3_000_000) == "report-root"


def test_half_a_surrogate_is_no_text() -> None:
    assert code_of(GOOD.encode("utf-16") + b"\x00\xd8\x41\x00") == "report-xml"


@given(st.binary(max_size=300))
def test_no_bytes_get_through_that_do_not_begin_a_data_set(data: bytes) -> None:
    """Whatever comes is refused as a sender's fault, or is handed on; never another error."""
    try:
        handed_on = b"".join(payload(data, Limits()))
    except SenderFault:
        return
    assert b"EMSDataSet" in handed_on
    assert b"<!DOCTYPE" not in handed_on[: handed_on.index(b"EMSDataSet")]


@given(st.data())
def test_a_damaged_file_is_read_or_refused_but_never_breaks_us(data: st.DataObject) -> None:
    whole = bytearray(GOOD.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(SenderFault):
        list(reports(bytes(whole)))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty: nothing is in it: export it again"),
        (b"\xef\xbb\xbf \r\n", "empty: nothing is in it: export it again"),
        (b"\x0bMSH|^~\\&|A\r", "HL7 v2, where care reports are wanted: send it where a feed of admissions sends"),
        (
            b"BHS|^~\\&\rMSH|^~\\&|A\r",
            "HL7 v2, where care reports are wanted: send it where a feed of admissions sends",
        ),
        (b"Dear colleague", "not well-formed XML: export the file again"),
    ],
)
def test_what_is_no_xml_at_all_is_told_by_what_it_is(data: bytes, says: str) -> None:
    """HL7 v2 2.5.3 and 2.10.3: a message begins with MSH, a batch with BHS or FHS."""
    with pytest.raises(UnreadableMessage) as caught:
        list(reports(data))
    assert (caught.value.code, str(caught.value)) == ("report-xml", says)


@pytest.mark.parametrize(
    ("root", "other", "remedy"),
    [
        (DataSet.EMS, b"DEMDataSet", "export the EMS data set, version 3.5"),
        (DataSet.DEMOGRAPHICS, b"EMSDataSet", "export the agency demographics; care reports go as data schema 61"),
    ],
)
def test_another_data_set_is_told_which_one_is_wanted(root: DataSet, other: bytes, remedy: str) -> None:
    """The root elements of the two data sets and their requestDataSchema (NEMSIS 3.5.1 XSD, V3 core WSDL)."""
    with pytest.raises(UnreadableMessage) as caught:
        list(payload(b"<" + other + b' xmlns="http://www.nemsis.org"/>', Limits(), root))
    assert str(caught.value) == f"line 1: not a NEMSIS {root}: {remedy}"
