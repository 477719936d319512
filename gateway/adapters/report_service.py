"""The NEMSIS V3 web service: its operations, its status codes, and everything it answers.

SOAP 1.1, document/literal, in the namespace `http://ws.nemsis.org/` (NEMSIS V3 core WSDL). The rules of this file:

* What a request says is answered with a status code; a SOAP fault is only for what cannot be read as a request.
* Output is strict: the elements stand in the order of the WSDL, and the two responses differ in theirs.
* An answer holds no text of a payload but the names of the sender's own reports and what SVRL quotes to him.

How requests are read stands in `gateway.adapters.report_service_requests`.
"""

from collections.abc import Iterable, Sequence
from enum import IntEnum, StrEnum
from typing import NamedTuple
from xml.sax.saxutils import escape, quoteattr

from gateway.adapters.report_checks import SchemaError
from gateway.errors import UnreadableMessage
from gateway.records import Finding

SERVICE = "http://ws.nemsis.org/"  #: target namespace, with its final slash
ENVELOPE = "http://schemas.xmlsoap.org/soap/envelope/"  #: SOAP 1.1, section 3
VERSIONS = ("3.4.0", "3.5.0", "3.5.1")  #: of the data sets we take
KILOBYTE = 1024  #: unit of the limit that QueryLimit tells
MOST_REPORTS = 1000  #: care reports of one submission of which the answer tells what became
SAME_FILE = "the same content came before: nothing was changed"
NOTHING_NEW = "nothing that the gateway reads is new in it: what was there stays"
FULLER_STAYS = "only the national elements are in it: the fuller report that came before stays"


class Operation(StrEnum):
    """What a client may ask for."""

    SUBMIT = "SubmitData"
    RETRIEVE = "RetrieveStatus"
    LIMIT = "QueryLimit"


#: How SOAPAction names each operation (the binding of the WSDL).
ACTIONS = {f"{SERVICE}{operation}": operation for operation in Operation}


class Status(IntEnum):
    """The status codes of the WSDL; those that a receiver like this one never has are left out.

    Left out are 5 and -16: there are no business rules here that could warn or refuse.
    """

    IMPORTED = 1
    IMPORTED_WITH_ERRORS = 2  #: only where the operator wants it: the Schematron guide forbids it
    IMPORTED_WITH_WARNINGS = 3
    IMPORTED_WITH_FAULTS = 4  #: of our reading (ETL), and only where the operator wants faults reported
    PARTLY_IMPORTED = 6  #: the records with an ERROR were left out
    VALIDATED = 10  #: processing is not finished
    PENDING = 0  #: not even that; ask again
    LIMIT_TOLD = 51
    WRONG_PASSWORD = -1
    OPERATION_DENIED = -2
    ORGANIZATION_DENIED = -3
    WRONG_VALUE = -4
    WRONG_COMBINATION = -5
    SAME_FILE = -11
    INVALID_XML = -12
    FATAL_RULE = -13
    ERROR_RULE = -14
    UNREADABLE = -15  #: valid, and yet no record can be made of it (ETL)
    SERVER_FAULT = -20
    DATABASE_FAULT = -21
    FILE_FAULT = -22
    TOO_LARGE = -30
    STATUS_UNAVAILABLE = -40
    HANDLE_EXPIRED = -41
    HANDLE_MALFORMED = -42
    HANDLE_UNKNOWN = -43
    TOO_BUSY = -50
    LIMIT_UNKNOWN = -51

    @property
    def is_final(self) -> bool:
        """Whether asking again will bring nothing else."""
        return self not in (Status.PENDING, Status.VALIDATED)


class FaultCode(StrEnum):
    """Whose fault a SOAP fault is (SOAP 1.1, section 4.4.1)."""

    VERSION_MISMATCH = "VersionMismatch"
    MUST_UNDERSTAND = "MustUnderstand"
    CLIENT = "Client"
    SERVER = "Server"


class RequestFault(UnreadableMessage):
    """The bytes are no request of this service; `fault_code` is what the SOAP fault says."""

    def __init__(self, message: str, *, remedy: str, fault_code: FaultCode = FaultCode.CLIENT) -> None:
        super().__init__(message, code="service-request", remedy=remedy)
        self.fault_code = fault_code


class ReportLine(NamedTuple):
    """What became of one care report: its UUID or number, `kept`, `updated`, `unchanged` or `left out`, and why."""

    name: str
    outcome: str
    findings: tuple[Finding, ...] = ()


class SubmitReport(NamedTuple):
    """What the answer to a submission reports, beside its code.

    `total` counts the schema's errors, of which `errors` are the first; `general` are errors of the file as a whole.
    """

    server_error: str | None = None
    total: int = 0
    errors: tuple[SchemaError, ...] = ()
    general: tuple[str, ...] = ()
    svrl: tuple[bytes, ...] = ()
    reports: tuple[ReportLine, ...] = ()
    notes: tuple[str, ...] = ()


# ── answers ────────────────────────────────────────────────────────────────────────────────────────


def answer_submit(handle: str, code: Status, report: bytes | None = None) -> bytes:
    """Give back a SubmitDataResponse; `report` is what `write_report` gave."""
    reports = _element("reports", report) if report is not None else b""
    return _response(Operation.SUBMIT, _text("requestHandle", handle), _number("statusCode", code), reports)


def answer_retrieve(handle: str, code: Status, report: bytes | None = None) -> bytes:
    """Give back a RetrieveStatusResponse, in which code and handle stand the other way round."""
    result = b"" if report is None else _element("retrieveResult", _element("retrieveSubmitStatus", report))
    parts = (_number("statusCode", code), _text("requestHandle", handle), _text("originalRequestType", "SubmitData"))
    return _response(Operation.RETRIEVE, *parts, result)


def answer_limit(size: int, code: Status = Status.LIMIT_TOLD) -> bytes:
    """Give back a QueryLimitResponse for a limit in bytes; with a code of failure it tells none."""
    limit = size // KILOBYTE if code is Status.LIMIT_TOLD else -1
    return _response(Operation.LIMIT, _number("limit", limit), _number("statusCode", code))


def answer_fault(code: FaultCode, message: str) -> bytes:
    """Give back a SOAP fault (SOAP 1.1, section 4.4); its children have no namespace."""
    says = f"<faultcode>soap:{code}</faultcode><faultstring>{escape(message)}</faultstring>"
    return _envelope(f"<soap:Fault>{says}</soap:Fault>".encode())


def write_report(report: SubmitReport) -> bytes:
    """Give back the children of a SubmitDataReport, as `reports` and `retrieveSubmitStatus` both have them."""
    return b"".join((
        _server_error(report.server_error),
        _validation(report),
        _schematron(report.svrl),
        _custom("what became of each report", _report_lines(report.reports)) if report.reports else b"",
        _custom("notes", _notes(report.notes)) if report.notes else b"",
    ))  # fmt: skip


def _response(operation: Operation, *children: bytes) -> bytes:
    content = _text("requestType", operation) + b"".join(children)
    return _envelope(f'<{operation}Response xmlns="{SERVICE}">'.encode(), content, f"</{operation}Response>".encode())


def _envelope(*body: bytes) -> bytes:
    opening = f'<?xml version="1.0" encoding="UTF-8"?>\n<soap:Envelope xmlns:soap="{ENVELOPE}"><soap:Body>'
    return b"".join((opening.encode(), *body, b"</soap:Body></soap:Envelope>"))


def _element(name: str, *content: bytes) -> bytes:
    return b"".join((f"<{name}>".encode(), *content, f"</{name}>".encode()))


def _text(name: str, value: str) -> bytes:
    return _element(name, escape(value).encode())


def _number(name: str, value: int) -> bytes:
    return _text(name, str(int(value)))


# ── the parts of a report, in the order of the WSDL's SubmitDataReport ─────────────────────────────


def _server_error(message: str | None) -> bytes:
    return b"" if message is None else _element("serverErrorReport", _text("serverErrorMessage", message))


def _validation(report: SubmitReport) -> bytes:
    placed = (_xml_error(error) for error in report.errors)
    general = (_general_error(says) for says in report.general)
    return _element("xmlValidationErrorReport", _number("totalErrorCount", report.total), *placed, *general)


def _xml_error(error: SchemaError) -> bytes:
    line = _number("line", error.line) if error.line else b""
    column = b"" if error.column is None else _number("column", error.column)
    place = _element("elementLocation", line, column, _text("xpathLocation", error.xpath))
    element = _element("xmlElementInfo", _text("elementName", error.element), place)
    return _element("xmlError", _text("desc", error.description), _element("failedElementList", element))


def _general_error(says: str) -> bytes:
    messages = _element("xmlGeneralErrorList", _text("errorMessage", says))
    return _element("xmlError", _text("desc", says), messages)


def _schematron(svrl: Sequence[bytes]) -> bytes:
    if not svrl:
        return b""
    reports = (_element("completeReport", _payload(_without_declaration(each))) for each in svrl)
    return _element("schematronReport", _element("completeSchematronReport", *reports))


def _custom(kind: str, content: bytes) -> bytes:
    return _element("customReport", _text("reportType", kind), _element("customReport", _payload(content)))


def _payload(content: bytes) -> bytes:
    return _element("payloadOfXmlElement", content)


def _without_declaration(document: bytes) -> bytes:
    document = document.lstrip()
    return document[document.index(b"?>") + 2 :].lstrip() if document.startswith(b"<?xml") else document


def _report_lines(lines: Sequence[ReportLine]) -> bytes:
    """What became of the reports, in no namespace: the schema lets any element stand here."""
    told = "".join(map(_report_line, lines[:MOST_REPORTS]))
    return f'<reports xmlns="" total="{len(lines)}">{told}</reports>'.encode()


def _report_line(line: ReportLine) -> str:
    findings = "".join(map(_finding, line.findings))
    return f"<report name={quoteattr(line.name)} outcome={quoteattr(line.outcome)}>{findings}</report>"


def _finding(finding: Finding) -> str:
    line = "" if finding.line is None else f' line="{finding.line}"'
    says = ": ".join(filter(None, (finding.message, finding.remedy)))
    named = f'level="{finding.level}" code="{finding.code}" path={quoteattr(finding.path)}{line}'
    return f"<finding {named}>{escape(says)}</finding>"


def _notes(notes: Iterable[str]) -> bytes:
    told = "".join(f"<note>{escape(note)}</note>" for note in notes)
    return f'<notes xmlns="">{told}</notes>'.encode()
