"""The service described for machines: our own WSDL 1.1, equivalent to that of NEMSIS V3, with our own address.

Types, messages, operations and actions are those that clients were made from (NEMSIS V3 core WSDL); the order of the
elements within a type is binding. The text is put together from tables when a module asks for it: an element is one
call that says how often it comes.
"""

from collections.abc import Iterable, Mapping
from xml.sax.saxutils import quoteattr

from gateway.adapters.report_service import SERVICE, Operation

XS = "http://www.w3.org/2001/XMLSchema"
WSDL = "http://schemas.xmlsoap.org/wsdl/"
SOAP = "http://schemas.xmlsoap.org/wsdl/soap/"
_PLAIN = frozenset({"string", "integer"})  # types of XML Schema itself
_PAYLOAD = "DataPayload"


def _element(name: str, kind: str, **how: str) -> str:
    of = f"{'xs' if kind in _PLAIN else 'tns'}:{kind}"
    more = "".join(f' {key}="{value}"' for key, value in how.items())
    return f'<xs:element name="{name}" type="{of}"{more}/>'


def _one(name: str, kind: str = "string") -> str:
    return _element(name, kind)


def _fixed(name: str, value: str) -> str:
    return _element(name, "string", fixed=value)


def _maybe(name: str, kind: str = "string") -> str:
    return _element(name, kind, minOccurs="0")


def _some(name: str, kind: str = "string") -> str:
    return _element(name, kind, maxOccurs="unbounded")


def _any_number(name: str, kind: str) -> str:
    return _element(name, kind, minOccurs="0", maxOccurs="unbounded")


def _sequence(*parts: str) -> str:
    return f"<xs:sequence>{''.join(parts)}</xs:sequence>"


def _choice(*parts: str) -> str:
    return f"<xs:choice>{''.join(parts)}</xs:choice>"


def _maybe_with(name: str, content: str) -> str:
    return f'<xs:element name="{name}" minOccurs="0"><xs:complexType>{content}</xs:complexType></xs:element>'


_WHO = '<xs:group ref="tns:PrivilegeGroup"/>'

#: The complex types, each with its content.
_TYPES: dict[str, str] = {
    "NemsisV3WsSubmitDataRequest": _sequence(
        _WHO,
        _fixed("requestType", Operation.SUBMIT),
        _one("submitPayload", _PAYLOAD),
        _one("requestDataSchema", "DataSchema"),
        _one("schemaVersion"),
        _one("additionalInfo"),
    ),
    "NemsisV3WsSubmitDataResponse": _sequence(
        _fixed("requestType", Operation.SUBMIT),
        _one("requestHandle"),
        _one("statusCode", "SubmitResponseCode"),
        _maybe("reports", "SubmitDataReport"),
    ),
    "NemsisV3WsRetrieveStatusRequest": _sequence(
        _WHO,
        _fixed("requestType", Operation.RETRIEVE),
        _one("requestHandle"),
        _maybe("originalRequestType"),
        _one("additionalInfo"),
    ),
    "NemsisV3WsRetrieveStatusResponse": _sequence(
        _fixed("requestType", Operation.RETRIEVE),
        _one("statusCode", "RetrieveResponseCode"),
        _one("requestHandle"),
        _maybe("originalRequestType"),
        _maybe_with("retrieveResult", _choice(_one("retrieveSubmitStatus", "SubmitDataReport"))),
    ),
    "NemsisV3WsQueryLimitRequest": _sequence(_WHO, _fixed("requestType", Operation.LIMIT)),
    "NemsisV3WsQueryLimitResponse": _sequence(
        _fixed("requestType", Operation.LIMIT),
        _one("limit", "integer"),
        _one("statusCode", "QueryLimitResponseCode"),
    ),
    _PAYLOAD: _sequence(_one("payloadOfXmlElement", "PayloadOfXmlElement")),
    "PayloadOfXmlElement": _sequence('<xs:any processContents="lax"/>'),
    "SubmitDataReport": _sequence(
        _maybe("serverErrorReport", "ServerErrorReport"),
        _one("xmlValidationErrorReport", "XmlValidationErrorReport"),
        _maybe_with("schematronReport", _sequence(_any_number("completeSchematronReport", "CompleteSchematronReport"))),
        _any_number("customReport", "SingleCustomReport"),
    ),
    "ServerErrorReport": _sequence(_one("serverErrorMessage")),
    "SingleCustomReport": _sequence(_one("reportType"), _any_number("customReport", _PAYLOAD)),
    "CompleteSchematronReport": _sequence(_any_number("completeReport", _PAYLOAD)),
    "XmlValidationErrorReport": _sequence(
        _one("totalErrorCount", "integer"), _any_number("xmlError", "XmlValidationError")
    ),
    "XmlValidationError": _sequence(
        _one("desc"),
        _choice(_one("xmlGeneralErrorList", "XmlGeneralErrorList"), _one("failedElementList", "XmlElementList")),
    ),
    "XmlGeneralErrorList": _sequence(_some("errorMessage")),
    "XmlElementList": _sequence(_some("xmlElementInfo", "XmlElementInfo")),
    "XmlElementInfo": _sequence(
        _one("elementName"),
        _choice(_one("elementLocation", "XmlElementLocation"), _fixed("elementLocationUnknown", "Yes")),
        _maybe("value"),
    ),
    "XmlElementLocation": _sequence(_maybe("line", "integer"), _maybe("column", "integer"), _maybe("xpathLocation")),
}

#: The texts that every request begins with, and how long they may be.
_PRIVILEGES = {"username": 100, "password": 250, "organization": 100}
#: Codes that the standard has given a meaning, also those that we never answer with.
_CODES = {
    "PrivilegeErrorCodes": (-3, -2, -1),
    "ParameterErrorCodes": (-4, -5),
    "ServerErrorCodes": (-20, -21, -22),
    "ResultPendingCode": (0,),
    "SubmitDataProcessCodes": (-11, -12, -13, -14, -15, -16, -30, 1, 2, 3, 4, 5, 6, 10),
    "RetrieveErrorCode": (-40, -41, -42, -43),
    "QueryLimitCodes": (51, -50, -51),
    "NemsisDataSchema": (61, 62, 63, 64, 65),
}
#: Codes that are left to whoever runs a service.
_RANGES = {
    "CustomErrorCodes": {"maxExclusive": -100},
    "CustomSuccessCodes": {"minExclusive": 100},
    "GeneralDataSchema": {"minInclusive": 70, "maxInclusive": 90},
}
_UNIONS = {
    "SubmitResponseCode": ("CommonResponseCode", "ResultPendingCode", "SubmitDataProcessCodes"),
    "RetrieveResponseCode": ("CommonResponseCode", "ResultPendingCode", "SubmitDataProcessCodes", "RetrieveErrorCode"),
    "QueryLimitResponseCode": ("PrivilegeErrorCodes", "QueryLimitCodes"),
    "CommonResponseCode": (
        "ServerErrorCodes",
        "PrivilegeErrorCodes",
        "ParameterErrorCodes",
        "CustomErrorCodes",
        "CustomSuccessCodes",
    ),
    "DataSchema": ("NemsisDataSchema", "GeneralDataSchema"),
}


def describe(address: str) -> bytes:
    """Give back the WSDL of the service at an address."""
    parts = ("".join(_schema()), *_messages(), _port_type(), _binding(), _service(address))
    spaces = f'xmlns:wsdl="{WSDL}" xmlns:soap="{SOAP}" xmlns:xs="{XS}" xmlns:tns="{SERVICE}"'
    opening = f'<wsdl:definitions {spaces} targetNamespace="{SERVICE}">'
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{opening}{"".join(parts)}</wsdl:definitions>\n'.encode()


def _schema() -> Iterable[str]:
    own = f'xmlns:tns="{SERVICE}" targetNamespace="{SERVICE}"'  # some cut the schema out and read it alone
    yield f'<wsdl:types><xs:schema {own} elementFormDefault="qualified">'
    for operation in Operation:
        for way in ("Request", "Response"):
            yield f'<xs:element name="{operation}{way}" type="tns:NemsisV3Ws{operation}{way}"/>'
    yield f'<xs:group name="PrivilegeGroup">{_sequence(*_privileges())}</xs:group>'
    for name, content in _TYPES.items():
        yield f'<xs:complexType name="{name}">{content}</xs:complexType>'
    for name, codes in _CODES.items():
        yield _restricted(name, "".join(f'<xs:enumeration value="{code}"/>' for code in codes))
    for name, bounds in _RANGES.items():
        yield _restricted(name, _facets(bounds))
    for name, members in _UNIONS.items():
        of = " ".join(f"tns:{member}" for member in members)
        yield f'<xs:simpleType name="{name}"><xs:union memberTypes="{of}"/></xs:simpleType>'
    yield "</xs:schema></wsdl:types>"


def _privileges() -> Iterable[str]:
    for name, longest in _PRIVILEGES.items():
        limits = _facets({"minLength": 1, "maxLength": longest})
        text = f'<xs:restriction base="xs:string">{limits}</xs:restriction>'
        yield f'<xs:element name="{name}"><xs:simpleType>{text}</xs:simpleType></xs:element>'


def _restricted(name: str, facets: str) -> str:
    return f'<xs:simpleType name="{name}"><xs:restriction base="xs:integer">{facets}</xs:restriction></xs:simpleType>'


def _facets(values: Mapping[str, int]) -> str:
    return "".join(f'<xs:{facet} value="{value}"/>' for facet, value in values.items())


def _messages() -> Iterable[str]:
    for operation in Operation:
        for name in (f"{operation}Request", f"{operation}Response"):
            part = f'<wsdl:part name="parameters" element="tns:{name}"/>'
            yield f'<wsdl:message name="{name}">{part}</wsdl:message>'


def _port_type() -> str:
    operations = (
        f'<wsdl:operation name="{each}"><wsdl:input message="tns:{each}Request"/>'
        f'<wsdl:output message="tns:{each}Response"/></wsdl:operation>'
        for each in Operation
    )
    return f'<wsdl:portType name="NemsisWsPortType">{"".join(operations)}</wsdl:portType>'


def _binding() -> str:
    body = '<soap:body use="literal"/>'
    operations = (
        f'<wsdl:operation name="{each}"><soap:operation soapAction="{SERVICE}{each}"/>'
        f"<wsdl:input>{body}</wsdl:input><wsdl:output>{body}</wsdl:output></wsdl:operation>"
        for each in Operation
    )
    style = '<soap:binding style="document" transport="http://schemas.xmlsoap.org/soap/http"/>'
    opening = '<wsdl:binding name="NemsisWsPortBinding" type="tns:NemsisWsPortType">'
    return f"{opening}{style}{''.join(operations)}</wsdl:binding>"


def _service(address: str) -> str:
    port = '<wsdl:port name="NemsisWsPort" binding="tns:NemsisWsPortBinding">'
    location = f"<soap:address location={quoteattr(address)}/>"
    return f'<wsdl:service name="NemsisWsService">{port}{location}</wsdl:port></wsdl:service>'
